/** The parts of the app that come after its first screen. */

import { h } from "./dom.js";
import { button } from "./parts.js";
import { gettext } from "./texts.js";

/**
 * Have the browser fetch all modules of a part at once; the page names them. What imports them then need not wait for
 * one level of imports after the other.
 * @param {'app' | 'shell' | 'job'} part
 */
export function fetchAhead(part) {
  const named = document.querySelector(`meta[name="modules-${part}"]`);
  if (!named) return;
  named.remove();
  const links = (named.getAttribute("content") ?? "").split(" ").map((href) => h("link", { rel: "modulepreload", href }));
  document.head.append(...links);
}

/** A part of the app could not be fetched. */
export function notLoaded() {
  return gettext("The app did not load completely. Load it again when there is a connection.");
}

/** @param {import("./frame.js").Frame} frame */
export function sayLoadAgain(frame) {
  frame.say(notLoaded(), "stop", button(gettext("Load it"), () => location.reload()));
}
