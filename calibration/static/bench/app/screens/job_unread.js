/** A job that this tablet has not read: it is being opened, or cannot be reached. */

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
  const heading = opening ? gettext("The job is being opened") : gettext("Job");
  const again = button(gettext("Try again"), () => void app.readJob(id));
  return { heading, content: words(context.online, opening, app.unknownJobs.has(id)), actions: [again] };
}

/**
 * @param {boolean} online
 * @param {{vin: string, registration: string} | null} opening
 * @param {boolean} isUnknown
 */
function words(online, opening, isUnknown) {
  if (opening) {
    const which = h("p", null, h("b", null, opening.registration || "–"), " ", opening.vin);
    const told = online
      ? gettext("It is kept on this tablet and on its way to the service.")
      : gettext("It is kept on this tablet. The job begins when the connection is back: the service says what is needed.");
    return [which, notice("note", told), isUnknown && h("a", { href: hashOf("tray") }, gettext("See what was not accepted"))];
  }
  if (!online) return notice("review", gettext("This job is not on the tablet, and there is no connection"));
  if (isUnknown) return notice("review", gettext("The service knows no such job for you"));
  return h("p", { class: "soft" }, gettext("Reading the job …"));
}
