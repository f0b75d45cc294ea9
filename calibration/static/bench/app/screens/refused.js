/** Why nothing can be recorded on this device. */

import { h } from "../dom.js";
import { notice } from "../parts.js";
import { gettext } from "../texts.js";

/** @returns {import("../context.js").Screen} */
export function storageRefused() {
  const what = gettext("This browser keeps nothing for the app, so no record would be safe here.");
  const todo = gettext(
    "Open the app in an ordinary window, not a private one, and allow it to store data in the browser's settings. Until then write on the paper worksheet.",
  );
  return { heading: gettext("Records cannot be kept on this tablet"), content: notice("stop", what, h("p", null, todo)) };
}
