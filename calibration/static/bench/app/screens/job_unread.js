/** A job that this tablet has not read (it is being opened, or cannot be reached), or whose screens are not here yet. */

import { h } from "../dom.js";
import { button, notice } from "../parts.js";
import { hashOf } from "../router.js";
import { gettext } from "../texts.js";

/**
 * @param {import("../context.js").Context} context
 * @param {import("../app.js").App} app
 * @returns {import("../context.js").Screen}
 */
export function renderJobUnread(context, app) {
  const id = context.route.rest[0];
  const opening = context.drafts.get(`opening:${id}`);
  if (opening && !context.job) return renderOpening(context, opening, id);
  const again = button(gettext("Try again"), () => void app.readJob(id));
  return { heading: gettext("Job"), content: words(context.online, app.unknownJobs.has(id)), actions: [again] };
}

/**
 * @param {import("../context.js").Context} context
 * @param {{vin: string, registration: string}} opening
 * @param {string} id
 * @returns {import("../context.js").Screen}
 */
function renderOpening({ waiting, online }, opening, id) {
  const which = h("p", null, h("b", null, opening.registration || "–"), " ", opening.vin);
  if (waiting.some((record) => record.id === id && record.state === "refused")) {
    const why = h("p", null, h("a", { href: hashOf("tray") }, gettext("See why, and what to do about it")));
    return { heading: gettext("The job was not opened"), content: [which, notice("review", gettext("Not accepted"), why)] };
  }
  const told = online
    ? gettext("It is kept on this tablet and on its way to the service.")
    : gettext("It is kept on this tablet. The job begins when the connection is back: the service says what is needed.");
  return { heading: gettext("The job is being opened"), content: [which, notice("note", told)] };
}

/**
 * @param {boolean} online
 * @param {boolean} isUnknown
 */
function words(online, isUnknown) {
  if (!online) return notice("review", gettext("This job is not on the tablet, and there is no connection"));
  if (isUnknown) return notice("review", gettext("The service knows no such job for you"));
  return h("p", { class: "soft" }, gettext("Reading the job …"));
}
