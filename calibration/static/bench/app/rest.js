/** What comes after the first screen of a tablet that nobody has enrolled yet. */

import { App } from "./app.js";
import { installWorker, stayAwake } from "./installation.js";
import { recallLanguage } from "./language.js";
import { button } from "./parts.js";
import { gettext } from "./texts.js";

/**
 * @param {import("./frame.js").Frame} frame
 * @param {import("./cupboard.js").Cupboard} cupboard
 * @param {import("./context.js").Screen | null} first what the frame shows already
 */
export async function begin(frame, cupboard, first) {
  recallLanguage();
  const app = new App(frame, cupboard);
  await app.start(first);
  stayAwake();
  void complete(app);
  return app;
}

/** @param {App} app */
async function complete(app) {
  const installation = installWorker(() => {
    const again = button(gettext("Load it"), () => location.reload());
    app.frame.say(gettext("A newer version of the app is here"), "note", again);
  });
  if (!navigator.serviceWorker?.controller) app.underWay = installation;
  await app.loadRest();
  app.installation = await installation;
  await app.refresh();
}
