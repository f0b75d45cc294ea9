/** The parts of the app that come after its first screen. */

import { h } from "./dom.js";

/**
 * Have the browser fetch all modules of a part at once; the page names them. What imports them then need not wait for
 * one level of imports after the other.
 * @param {'shell' | 'job'} part
 */
export function fetchAhead(part) {
  const named = document.querySelector(`meta[name="modules-${part}"]`);
  if (!named) return;
  named.remove();
  const links = (named.getAttribute("content") ?? "").split(" ").map((href) => h("link", { rel: "modulepreload", href }));
  document.head.append(...links);
}
