/** From what to what, why, what is expected of it, and what it changes for whoever drives. */

import { h } from "../../dom.js";
import { cornerName, facts, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext, language, ngettext } from "../../texts.js";
import { figure } from "../../units.js";
import { baseOf, shownIn, typedIn } from "./bases.js";
import { setpointsNow } from "./course.js";
import { link, refusedEntry, section, table, takeCare } from "./parts.js";
import { notTaken } from "./read_back.js";
import { CORNERS, limitName } from "./words.js";

/** Changes below these are not shown. */
const HARDLY_MM = 0.05;
const HARDLY_PERCENT = 0.005;

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Units} Units */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, units } = context;
  const { proposal } = job;
  if (!proposal) return noneOpen(job);
  return {
    heading: proposal.kind === "reversion" ? gettext("Back to earlier set-points") : gettext("What to write"),
    content: [
      refusedEntry(job),
      notTaken(context) ?? (job.next_step_detail.reason !== "proposal" && notice("review", job.next_step_detail.detail)),
      changes(proposal, baseOf(context), { units, stored: setpointsNow(job, context.waiting) }),
      proposalWords(proposal, units),
      takeCare(job, "write"),
    ],
    actions: [
      link(gettext("Other steps"), hashOf("job", job.id, "other")),
      proposal.kind !== "reversion" && link(gettext("Set-points by hand"), hashOf("job", job.id, "by-hand")),
      link(gettext("Go on to the write"), hashOf("job", job.id, "write"), true),
    ],
  };
}

/** @param {import("../../context.js").Job} job @returns {import("../../context.js").Screen} */
function noneOpen(job) {
  return {
    heading: gettext("What to write"),
    content: [notice("note", gettext("There is no open proposal"), h("p", null, job.next_step_detail.detail))],
    actions: [link(gettext("Go on"), hashOf("job", job.id), true)],
  };
}

/** Everything about a proposal but the counts. @param {any} proposal @param {Units} units */
export function proposalWords(proposal, units) {
  return [
    h("p", null, proposal.detail),
    expected(proposal),
    reasons(proposal),
    proposal.justification ? facts([[gettext("Entered by hand, because"), proposal.justification]]) : null,
    consequences(proposal, units),
    limits(proposal),
    followUps(proposal),
  ];
}

/**
 * The counts as large as they can be read; with units also the heights that are expected.
 * @param {any} proposal
 * @param {import("./bases.js").Base} base in which the tool shows them
 * @param {{units?: Units | null, stored?: import("../../context.js").Counts | null}} [shown] `stored`: what the control
 *   unit holds by now, where that may be another count than the proposal began from
 */
export function changes({ changes: by, predicted }, base, { units = null, stored = null } = {}) {
  const shows = units !== null && Object.keys(predicted).length > 0;
  const rows = CORNERS.filter((corner) => by[corner]).map((corner) => {
    const { to } = by[corner];
    const from = stored?.[corner] ?? by[corner].from;
    return [
      cornerName(corner),
      shownIn(from, base),
      [h("b", { class: "count" }, from === to ? unwritten(by[corner]) : String(to)), inHexadecimal(to, base)],
      from === to ? "0" : signed(to - from),
      ...(shows ? [expectedHeight(predicted[corner], units)] : []),
    ];
  });
  const columns = [
    { label: gettext("Corner") },
    { label: gettext("Stored now"), number: true },
    { label: gettext("To write"), number: true },
    { label: gettext("Change, counts"), number: true },
    ...(shows ? [{ label: gettext("Height expected, %(unit)s", { unit: units.sign }), number: true }] : []),
  ];
  return table(gettext("Set-points"), columns, rows);
}

/** Where nothing is to be written: because it need not, or because it was already. @param {{from: number, to: number}} by */
function unwritten({ from, to }) {
  return from === to ? gettext("stays") : gettext("is stored");
}

/** @param {number} to @param {import("./bases.js").Base} base */
function inHexadecimal(to, base) {
  return base === "hexadecimal" && h("span", { class: "count-other" }, `${typedIn(to, base)} hex`);
}

/** @param {any} predicted @param {Units} units */
function expectedHeight(predicted, units) {
  return `${units.show(predicted.height_mm)} ± ${units.show(predicted.expanded_uncertainty_mm)}`;
}

/** @param {number} counts */
function signed(counts) {
  return counts < 0 ? `−${-counts}` : `+${counts}`;
}

/** @param {any} proposal */
function reasons({ changes: by }) {
  const rows = CORNERS.filter((corner) => by[corner]).map(
    (corner) => /** @type {[string, string]} */ ([cornerName(corner), by[corner].reason]),
  );
  return section(gettext("Why"), facts(rows));
}

/** @param {any} proposal */
function expected({ kind, probability_within: chance, expected_writes: writes, prior }) {
  if (chance === null) return null;
  const of_a_hundred = Math.round(100 * chance);
  const told = ngettext(
    "Of a hundred vehicles like this, about %(count)s would be measured within at every corner right after this write.",
    "Of a hundred vehicles like this, about %(count)s would be measured within at every corner right after this write.",
    of_a_hundred,
  );
  return h("p", null, told, " ", kind === "computed" && writesWords(writes, chance), " ", prior.detail ?? null);
}

/** @param {number} writes @param {number} chance */
function writesWords(writes, chance) {
  if (writes === 0) return gettext("Nothing is to be written.");
  if (writes === 1) {
    return chance < 0.5
      ? gettext("One write should do; to show it, the tape probably needs more than one round afterwards.")
      : gettext("One write should do.");
  }
  return ngettext("Reckon with %(count)s write in all, this one included.", "Reckon with %(count)s writes in all, this one included.", writes);
}

/** What the driver may notice; what hardly changes is left out. @param {any} proposal @param {Units} units */
function consequences({ consequences: by, follow_ups }, units) {
  if (by.heave_change_mm === undefined) return null;
  const lines = [
    ...attitude(by, units),
    headlamps(by),
    ...figures(by, units),
    follow_ups.length > 0 && gettext("Headlamps and driver-assistance cameras look elsewhere until they are checked."),
  ].filter(Boolean);
  if (lines.length === 0) return null;
  return section(gettext("What it changes for the driver"), h("ul", { class: "prose" }, lines.map((line) => h("li", null, line))));
}

/** How the whole body moves on its wheels. @param {any} by @param {Units} units */
function attitude({ heave_change_mm: heave, pitch_change_mm: pitch, roll_change_mm: roll }, units) {
  const shown = (/** @type {number} */ mm) => `${units.show(Math.abs(mm))} ${units.sign}`;
  return [
    Math.abs(heave) >= HARDLY_MM &&
      (heave > 0
        ? gettext("The body comes up by %(mm)s.", { mm: shown(heave) })
        : gettext("The body comes down by %(mm)s.", { mm: shown(heave) })),
    Math.abs(pitch) >= HARDLY_MM &&
      (pitch > 0
        ? gettext("The front rises against the rear by %(mm)s.", { mm: shown(pitch) })
        : gettext("The front drops against the rear by %(mm)s.", { mm: shown(pitch) })),
    Math.abs(roll) >= HARDLY_MM &&
      (roll > 0
        ? gettext("The left rises against the right by %(mm)s.", { mm: shown(roll) })
        : gettext("The left drops against the right by %(mm)s.", { mm: shown(roll) })),
  ];
}

/** By how much the beams turn; what is allowed is for local rules to say. @param {any} by */
function headlamps({ headlamp_inclination_change_pct: change = 0, headlamp_inclination_pct: beam }) {
  if (Math.abs(change) < HARDLY_PERCENT) return null;
  const from_to = beam ? ` (${number(beam.before, 2)} → ${number(beam.after, 2)} %)` : "";
  const percent = `${number(Math.abs(change), 2)} %${from_to}`;
  return change > 0
    ? gettext("The headlamp beams turn upwards by %(percent)s: check local rules.", { percent })
    : gettext("The headlamp beams turn downwards by %(percent)s: check local rules.", { percent });
}

/** Of the body above ground, before and after, where the specification gives the lengths. @param {any} by @param {Units} units */
function figures(by, units) {
  const length = (/** @type {number} */ mm) => units.show(mm);
  const degrees = (/** @type {number} */ value) => number(value, 1);
  /** @type {[string, any, (value: number) => string, string][]} */
  const known = [
    [gettext("Ground clearance"), by.ground_clearance_mm, length, ` ${units.sign}`],
    [gettext("Headlamps above ground"), by.headlamp_height_mm, length, ` ${units.sign}`],
    [
      gettext("Static stability factor T/2h (lower: tips over sooner)"),
      by.static_stability_factor,
      (value) => number(value, 3),
      "",
    ],
    [gettext("Approach angle, at least"), by.approach_deg, degrees, "°"],
    [gettext("Departure angle, at least"), by.departure_deg, degrees, "°"],
    [gettext("Ramp breakover angle"), by.breakover_deg, degrees, "°"],
  ];
  return known.map(([name, found, shown, sign]) => {
    if (!found || shown(found.before) === shown(found.after)) return null;
    return `${name}: ${shown(found.before)} → ${shown(found.after)}${sign}`;
  });
}

/** @param {number} value @param {number} decimals */
function number(value, decimals) {
  return figure(value, decimals, { language: language() });
}

/** @param {any} proposal */
function limits({ limits: checks }) {
  const words = { pass: gettext("kept"), review: gettext("to be decided"), refuse: gettext("refused") };
  const rows = checks.map((/** @type {any} */ each) => [
    each.corner ? `${limitName(each.code)}, ${cornerName(each.corner)}` : limitName(each.code),
    each.detail,
    words[/** @type {keyof words} */ (each.outcome)],
  ]);
  const columns = [{ label: gettext("Limit") }, { label: gettext("What it comes to") }, { label: gettext("Outcome") }];
  return h(
    "details",
    { class: "behind" },
    h("summary", null, gettext("Every limit, checked")),
    table(gettext("Limits"), columns, rows),
  );
}

/** @param {any} proposal */
function followUps({ follow_ups }) {
  if (follow_ups.length === 0) return null;
  return section(
    gettext("To be done afterwards"),
    h("ul", { class: "prose" }, follow_ups.map((/** @type {any} */ each) => h("li", null, each.detail))),
  );
}
