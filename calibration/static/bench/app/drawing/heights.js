/** Where each corner stands in its tolerance, with its uncertainty: drawn around the vehicle, and as a table behind. */

import { spanMm, toleranceBar } from "../../../looks/tolerance-bar.js";
import { h } from "../dom.js";
import { cornerName } from "../parts.js";
import { table, verdict } from "../screens/job/parts.js";
import { CORNERS, verdictWord } from "../screens/job/words.js";
import { gettext } from "../texts.js";
import { plan } from "./plan.js";

/** @typedef {import("../context.js").Units} Units */
/** @typedef {import("../context.js").Corner} Corner */

/**
 * @param {Record<string, any>} corners an assessment's
 * @param {Units} units
 */
export function heightsPlan(corners, units) {
  const bars = CORNERS.map((corner) => bar(corner, corners[corner], units));
  const span = spanMm(bars);
  const drawn = Object.fromEntries(
    bars.map((each) => [each.corner, upright({ ...each, spanMm: span }, corners[each.corner], units)]),
  );
  return h(
    "div",
    { class: "plan-bars" },
    plan((corner) => drawn[corner] ?? null),
    h(
      "details",
      { class: "behind" },
      h("summary", null, gettext("The four corners as a table")),
      heightsTable(corners, units),
    ),
  );
}

/** @param {Corner} corner @param {any} judged @param {Units} units */
function bar(corner, judged, units) {
  const { mean_mm: height, expanded_uncertainty_mm: uncertainty, target_mm: target, tolerance_mm: tolerance } = judged;
  const values = {
    name: cornerName(corner),
    height: units.show(height),
    uncertainty: units.show(uncertainty),
    target: units.show(target),
    lowest: units.show(target - tolerance),
    highest: units.show(target + tolerance),
    unit: units.sign,
    verdict: verdictWord(judged.verdict),
  };
  return {
    corner,
    key: `bar-${corner}`,
    title: gettext("%(name)s: %(height)s ± %(uncertainty)s %(unit)s, %(verdict)s", values),
    description: gettext("Target %(target)s %(unit)s, tolerance from %(lowest)s to %(highest)s %(unit)s.", values),
    heightMm: height,
    expandedUncertaintyMm: uncertainty,
    targetMm: target,
    toleranceMm: tolerance,
    verdict: judged.verdict,
  };
}

/** @param {import("../../../looks/tolerance-bar.js").Bar} drawn @param {any} judged @param {Units} units */
function upright(drawn, judged, units) {
  return h(
    "figure",
    { class: "bar bar-upright" },
    toleranceBar(drawn, { upright: true }),
    h(
      "figcaption",
      { class: "bar-words" },
      h(
        "span",
        null,
        h("span", { class: "figure" }, units.show(judged.mean_mm)),
        " ",
        h("span", { class: "unit" }, units.sign),
      ),
      h("span", { class: "small" }, deviation(judged, units)),
      verdict(judged.verdict),
    ),
  );
}

/** @param {any} judged @param {Units} units */
function deviation(judged, units) {
  return `${units.show(judged.deviation_mm, { signed: true })} ± ${units.show(judged.expanded_uncertainty_mm)}`;
}

/** @param {Record<string, any>} corners @param {Units} units */
function heightsTable(corners, units) {
  const columns = [
    { label: gettext("Corner") },
    { label: gettext("Height, %(unit)s", { unit: units.sign }), number: true },
    { label: gettext("Uncertainty (95 %)"), number: true },
    { label: gettext("Target"), number: true },
    { label: gettext("Tolerance"), number: true },
    { label: gettext("Deviation"), number: true },
    { label: gettext("Verdict") },
  ];
  const rows = CORNERS.map((corner) => {
    const each = corners[corner];
    return [
      cornerName(corner),
      units.show(each.mean_mm),
      `± ${units.show(each.expanded_uncertainty_mm)}`,
      units.show(each.target_mm),
      `± ${units.show(each.tolerance_mm)}`,
      units.show(each.deviation_mm, { signed: true }),
      verdict(each.verdict),
    ];
  });
  return table(gettext("The four corners"), columns, rows);
}
