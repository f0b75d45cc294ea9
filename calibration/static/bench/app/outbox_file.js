/** All that is on this tablet only, as a file that the workshop alone can read: it is handed in on `/tablets/import/`. */

import { outboxFile } from "../offline/export.js";
import { h } from "./dom.js";
import { gettext } from "./texts.js";

/** @typedef {import("./app.js").App} App */

/**
 * Ask for the workshop's key while the service can be asked: the file is needed when it cannot.
 * @param {App} app
 * @returns {Promise<Uint8Array<ArrayBuffer> | null>} null where the service never told it to this tablet
 */
export async function workshopKey({ cupboard, service, session }) {
  const workshop = session.enrolled?.workshop.id;
  const { body } = await service.get("/api/v1/tablet/", session.enrolled?.token ?? null);
  if (body) await cupboard.set("outbox_key", { workshop, key: body.outbox_key });
  const kept = await cupboard.get("outbox_key");
  return kept && kept.workshop === workshop ? Uint8Array.from(atob(kept.key), (each) => each.charCodeAt(0)) : null;
}

/** @param {App} app */
export async function saveOutbox(app) {
  const { enrolled } = app.session;
  const key = await workshopKey(app);
  if (!key || !enrolled || !app.sending) {
    const todo = gettext("It was never told the workshop's key. Connect it once, then save again.");
    return app.frame.say(gettext("This tablet cannot save the file yet"), "review", h("p", null, todo));
  }
  const about = { workshop: enrolled.workshop.id, tablet: enrolled.tablet.name, saved_at: new Date().toISOString() };
  const file = await outboxFile(app.sending.store, key, about);
  const address = URL.createObjectURL(new Blob([file], { type: "application/octet-stream" }));
  h("a", { href: address, download: `levelbook-${about.saved_at.slice(0, 10)}.lbox` }).click();
  URL.revokeObjectURL(address);
}
