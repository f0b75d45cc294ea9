/** All that is on this tablet only, as files that the workshop alone can read: they are handed in on `/tablets/import/`. */

import { outboxFiles } from "../offline/export.js";
import { h } from "./dom.js";
import { button } from "./parts.js";
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
  if (body) await cupboard.hold("outbox_key", { workshop, key: body.outbox_key });
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
  const files = await outboxFiles(app.sending.store, key, about);
  const name = `levelbook-${about.saved_at.slice(0, 10)}`;
  if (files.length === 1) return download(files[0], `${name}.lbox`);
  app.frame.say(gettext("It is too much for one file"), "note", ...oneAfterTheOther(files, name));
}

/**
 * A browser lets a page save one file at each press.
 * @param {Uint8Array<ArrayBuffer>[]} files
 * @param {string} name
 */
function oneAfterTheOther(files, name) {
  const todo = gettext("Save each of these files, and hand them in in this order.");
  const buttons = files.map((file, at) => {
    const values = { number: at + 1, all: files.length };
    const label = gettext("Save file %(number)s of %(all)s", values);
    return button(label, () => download(file, `${name}-${values.number}-of-${values.all}.lbox`));
  });
  return [h("p", null, todo), h("div", { class: "actions" }, ...buttons)];
}

/**
 * @param {Uint8Array<ArrayBuffer>} file
 * @param {string} name
 */
function download(file, name) {
  const address = URL.createObjectURL(new Blob([file], { type: "application/octet-stream" }));
  h("a", { href: address, download: name }).click();
  URL.revokeObjectURL(address);
}
