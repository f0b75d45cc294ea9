/** Which screen there is to show on an enrolled tablet: the PIN comes before everything else. */

import { renderJobUnread } from "./screens/job_unread.js";
import { renderOpenJob } from "./screens/open_job.js";
import { renderPeople } from "./screens/people.js";
import { renderPin } from "./screens/pin.js";
import { renderSettings } from "./screens/settings.js";
import { renderToday } from "./screens/today.js";
import { renderTray } from "./screens/tray.js";
import { renderVehicle } from "./screens/vehicle.js";

/** @typedef {import("./app.js").App} App */
/** @typedef {import("./context.js").Context} Context */
/** @typedef {import("./context.js").Screen} Screen */
/** @typedef {(context: Context, app: App) => Screen} RenderOfShell */

/** @type {import("./context.js").Render | null} */
let renderJob = null;
/** A height check is taken with parts of theirs. @type {import("./context.js").Render | null} */
let renderHeightCheck = null;

/** The job's screens, which the first one does without: they are fetched once it is there. */
export async function loadJobScreens() {
  const screens = await import("./screens/job/index.js");
  renderJob = /** @type {import("./context.js").Render} */ (screens.render);
  renderHeightCheck = screens.renderHeightCheck;
}

export function hasJobScreens() {
  return renderJob !== null;
}

/** @type {Record<string, RenderOfShell>} */
const SCREENS = {
  today: renderToday,
  vehicle: renderVehicle,
  open: renderOpenJob,
  check: (context, app) => (renderHeightCheck ? renderHeightCheck(context) : renderJobUnread(context, app)),
  tray: renderTray,
  pin: renderPin,
  settings: renderSettings,
  job: (context, app) => (context.job && renderJob ? renderJob(context) : renderJobUnread(context, app)),
};

/** What is shown whether or not somebody is at the tablet. */
const OF_NOBODY = ["tray", "pin"];

/**
 * @param {App} app
 * @param {Context} context
 * @returns {Screen}
 */
export function screenFor(app, context) {
  if (!app.session.person && !OF_NOBODY.includes(context.route.name)) return renderPeople(app);
  return (SCREENS[context.route.name] ?? renderToday)(context, app);
}
