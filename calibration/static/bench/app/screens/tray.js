/** What is on this tablet only: what waits, and what was not accepted, where a person decides. */

import { absentNotices, absentOf } from "../absent.js";
import { fill, h } from "../dom.js";
import { saveOutbox } from "../outbox_file.js";
import { button, confirm, empty } from "../parts.js";
import { kindWords, problemWords } from "../problems.js";
import { kindOf } from "../sending.js";
import { gettext } from "../texts.js";
import { dayAndTime } from "../time.js";

/** @typedef {import("../app.js").App} App */
/** @typedef {import("../../offline/types.js").Entry} Entry */

/**
 * @param {import("../context.js").Context} _context
 * @param {App} app
 * @returns {import("../context.js").Screen}
 */
export function renderTray(_context, app) {
  const content = h("div", { class: "stack" });
  // What reads as before stays in its place, with what is unfolded there.
  const draw = async () => {
    const next = h("div", null, await trayContent(app));
    await app.frame.untouched();
    if (next.textContent !== content.textContent) fill(content, ...next.childNodes);
  };
  void draw();
  const now = button(gettext("Send now"), () => void app.sending?.hurry(), { kind: "main" });
  return { heading: gettext("Only on this tablet"), content, actions: [now], update: () => void draw() };
}

/**
 * @param {App} app
 * @returns {Promise<import("../context.js").Content>}
 */
async function trayContent(app) {
  const { sending, session, reads } = app;
  if (!sending) return null;
  const refused = await sending.outbox.tray();
  const waiting = (await sending.store.read()).records.filter((entry) => entry.state === "waiting");
  if (!refused.length && !waiting.length) return empty(h("p", null, gettext("Everything that was recorded here is sent.")));
  const named = (/** @type {Entry} */ entry) => reads.held(entry.vehicle).then((vehicle) => vehicleWords(vehicle));
  const refusedCards = refused.map(async (entry) => refusedCard(app, sending, entry, await named(entry)));
  const by = (/** @type {Entry} */ { person }) => (person === null ? null : session.nameOf(person));
  const waitingCards = waiting.map(async (entry) => waitingCard(entry, await named(entry), await by(entry)));
  return [
    absentNotices(await absentOf(session, waiting)),
    refused.length > 0 && section("refused", gettext("Not accepted"), await Promise.all(refusedCards)),
    waiting.length > 0 && section("waiting", gettext("Waiting to be sent"), await Promise.all(waitingCards)),
    wholeFile(app),
  ];
}

/**
 * For a tablet that will not come online again.
 * @param {App} app
 */
function wholeFile(app) {
  const use = gettext("If this tablet cannot be connected again, a manager hands the file in under “File from a tablet”. Only the workshop can read it.");
  const save = button(gettext("Save all of it to a file"), () => void saveOutbox(app));
  return h("section", { class: "stack", "aria-labelledby": "file" }, h("h2", { id: "file", class: "section-head" }, gettext("Without a connection")), h("p", null, use), save);
}

/** @param {{vin: string, registration: string | null} | null} vehicle */
function vehicleWords(vehicle) {
  return vehicle && h("p", null, h("b", null, vehicle.registration || "–"), ` ${gettext("VIN ends in")} `, h("b", null, vehicle.vin.slice(-6)));
}

/**
 * @param {string} id
 * @param {string} heading
 * @param {HTMLElement[]} cards
 */
function section(id, heading, cards) {
  const list = h("ul", { class: "cards" }, ...cards);
  return h("section", { "aria-labelledby": id }, h("h2", { id, class: "section-head" }, heading), list);
}

/**
 * @param {Entry} entry
 * @param {HTMLElement | null} vehicle
 * @param {string | null} by whose record it is
 */
function waitingCard({ path, noted_at }, vehicle, by) {
  const when = h("p", null, [dayAndTime(noted_at), by].filter(Boolean).join(" · "));
  return h("li", { class: "card" }, h("h3", null, kindWords(kindOf(path))), vehicle, when);
}

/**
 * @param {App} app
 * @param {import("../sending.js").Sending} sending
 * @param {import("../../offline/queue.js").TrayEntry} entry
 * @param {HTMLElement | null} vehicle
 */
function refusedCard(app, sending, entry, vehicle) {
  const { id, path, noted_at, refusal, state } = entry;
  const again = async () => {
    await sending.outbox.retry(id);
    await sending.hurry();
    await app.refresh();
  };
  const discard = async () => {
    await sending.outbox.discard(id);
    await app.refresh();
  };
  return h(
    "li",
    { class: "card" },
    h("h3", null, kindWords(kindOf(path))),
    vehicle,
    h("p", null, dayAndTime(noted_at)),
    h("p", null, problemWords(refusal?.problem ?? null, refusal?.status ?? 0)),
    entry.behind && h("p", { class: "soft" }, gettext("Probably because an earlier record of this vehicle was not accepted. It comes along when that one is sent again.")),
    state === "refused" && button(gettext("Send it again"), () => void again()),
    button(gettext("Save to a file"), () => void save(sending, entry)),
    confirm(
      gettext("Throw away"),
      h("p", null, gettext("It exists nowhere else. Save it to a file first if you are not sure.")),
      button(gettext("Throw it away for good"), () => void discard(), { kind: "danger", final: true }),
    ),
  );
}

/**
 * One record as a file that people can read.
 * @param {import("../sending.js").Sending} sending
 * @param {import("../../offline/queue.js").TrayEntry} entry
 */
async function save(sending, entry) {
  const fields = (await sending.store.content(entry.id))?.fields ?? {};
  const text = JSON.stringify({ ...entry, fields }, null, 2);
  const address = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  const link = h("a", { href: address, download: `levelbook-${kindOf(entry.path)}-${entry.id}.json` });
  link.click();
  URL.revokeObjectURL(address);
}
