/** The vehicle from above, front at the top, with something at each corner. */

import { h, s } from "../dom.js";
import { cornerName, cornerShort } from "../parts.js";
import { CORNERS } from "../screens/job/words.js";

/** @typedef {import("../context.js").Corner} Corner */
/** @typedef {import("../context.js").Content} Content */

/**
 * @param {(corner: Corner) => Content} at what stands at a corner, below its name
 * @param {Corner | null} [current] the corner that somebody is at
 */
export function plan(at, current = null) {
  return h(
    "div",
    { class: "plan" },
    planBody(),
    CORNERS.map((corner) => planCorner(corner, at(corner), corner === current)),
  );
}

/** @param {Corner} corner @param {Content} content @param {boolean} isCurrent */
function planCorner(corner, content, isCurrent) {
  const attributes = { class: `plan-corner plan-${corner}`, role: "group", "aria-label": cornerName(corner) };
  return h(
    "div",
    { ...attributes, "aria-current": isCurrent ? "step" : null },
    h("p", { class: "plan-name" }, `${cornerName(corner)} `, h("span", { class: "soft" }, cornerShort(corner))),
    content,
  );
}

function planBody() {
  const wheels = [
    [2, 40],
    [82, 40],
    [2, 174],
    [82, 174],
  ];
  const drawn = s(
    "svg",
    { viewBox: "0 0 100 250", focusable: "false" },
    wheels.map(([x, y]) => s("rect", { class: "plan-wheel", x, y, width: 16, height: 42, rx: 4 })),
    s(
      "path",
      { class: "plan-outline", d: "M10 46C10 15 26 4 50 4s40 11 40 42v182c0 12-8 18-20 18H30c-12 0-20-6-20-18z" },
    ),
    s("path", {
      class: "plan-glass",
      d: "M19 72c19-7 43-7 62 0l-8 23c-15-5-31-5-46 0zM23 226c17 4 37 4 54 0l-5-15c-13 3-31 3-44 0z",
    }),
  );
  return h("div", { class: "plan-body", "aria-hidden": "true" }, drawn);
}
