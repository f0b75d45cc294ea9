/** Where the app begins. */

import { App } from "./app.js";
import { recallAppearance } from "./appearance.js";
import { button } from "./parts.js";
import { installWorker, stayAwake } from "./installation.js";
import { recallLanguage } from "./language.js";
import { gettext } from "./texts.js";

recallAppearance();
recallLanguage();
const app = new App();
await app.start();
stayAwake();
await app.loadRest();
app.installation = await installWorker(() => {
  const again = button(gettext("Load it"), () => location.reload());
  app.frame.say(gettext("A newer version of the app is here"), "note", again);
});
await app.refresh();
