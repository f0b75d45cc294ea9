/** What the last leak test showed, corner by corner, in words. */

import { h } from "../../dom.js";
import { cornerName, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { onTheWay } from "./course.js";
import { link, section, table, takeCare, verdict } from "./parts.js";
import { CORNERS } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Units} Units */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, waiting } = context;
  const isAwaited = onTheWay(waiting, job).some(({ kind }) => kind === "leak_test");
  const result = latestResult(context);
  return {
    heading: gettext("What the leak test shows"),
    content: [
      isAwaited
        ? notice("note", gettext("The leak test is kept"), h("p", null, gettext("What it shows stands here as soon as the service has answered.")))
        : (result ?? h("p", null, gettext("There is no leak test in this job yet."))),
      !isAwaited && section(gettext("What comes next"), h("p", null, job.next_step_detail.detail)),
      takeCare(job),
    ],
    actions: [
      link(gettext("Test for leaks"), hashOf("job", job.id, "leak-test")),
      link(gettext("Go on"), hashOf("job", job.id), true),
    ],
  };
}

/** @param {JobContext} context */
export function latestResult({ job, units }) {
  const test = job.leak_tests?.at(-1);
  if (!test) return null;
  const columns = [
    { label: gettext("Corner") },
    { label: gettext("Sinks, %(unit)s per hour", { unit: units.sign }), number: true },
    { label: gettext("Verdict") },
    { label: gettext("In words") },
  ];
  const rows = CORNERS.map((corner) => {
    const found = test.corners[corner];
    return [cornerName(corner), rateWords(found, units), verdict(found.verdict), inWords(found)];
  });
  return section(
    gettext("The last leak test"),
    h("p", null, gettext("From %(start)s to %(end)s.", { start: dayAndTime(test.start.at), end: dayAndTime(test.end.at) })),
    table(gettext("The last leak test"), columns, rows),
    !test.temperature_corrected &&
      notice("note", gettext("Not corrected for temperature"), h("p", null, gettext("Colder air alone makes a vehicle sink. Note both temperatures next time."))),
    test.limit_mm_per_h === null && notice("note", gettext("The specification names no limit: nothing is judged")),
  );
}

/** @param {any} found @param {Units} units */
function rateWords(found, units) {
  const shown = (/** @type {number} */ mm) => units.show(mm, { decimals: units.length === "inch" ? 3 : 2 });
  return `${shown(found.rate_mm_per_h)} ± ${shown(found.expanded_uncertainty_mm_per_h)}`;
}

/** @param {any} found */
function inWords(found) {
  if (found.rose) return gettext("It rose: levelling may have woken, which hides a leak. Test again.");
  switch (found.verdict) {
    case "within":
      return gettext("Holds its air.");
    case "outside":
      return gettext("Leaks: have it repaired, then test again.");
    case "undecided":
      return undecidedWords(found.hours_to_decide);
    default:
      return gettext("not judged");
  }
}

/** @param {number | null} hours */
function undecidedWords(hours) {
  if (hours === null) return gettext("Just at the limit: no length of test decides it.");
  return gettext("Not decided, and not passed. A test of about %(hours)s hours would decide.", { hours: Math.ceil(hours) });
}
