/** Where each corner stands in its tolerance, drawn and in words; and what follows from it, and why. */

import { heightsPlan } from "../../drawing/heights.js";
import { h } from "../../dom.js";
import { button, cornerName, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { MINUS } from "../../units.js";
import { concessionInForce } from "./concession.js";
import { stepNow } from "./course.js";
import { once } from "./once.js";
import { findingNotices, isClosed, link, notedInTheJob, refusedEntry, section, table, takeCare, verdict } from "./parts.js";
import { axleName, CORNERS } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Job} Job */
/** @typedef {import("../../context.js").Units} Units */

/** Whether there is a verdict that nobody looked at on this tablet. @param {JobContext} context */
export function isNews({ job, drafts }) {
  return job.assessment !== null && !isClosed(job) && drafts.get(seenKey(job)) !== verdictKey(job);
}

/** @param {Job} job */
function seenKey(job) {
  return `seen:${job.id}`;
}

/** A verdict is of certain rounds and of so many readings. @param {Job} job */
function verdictKey({ assessment }) {
  return JSON.stringify([assessment.rounds, CORNERS.map((corner) => assessment.corners[corner].readings)]);
}

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, units } = context;
  if (!job.assessment) return nothingJudged(job);
  const { assessment } = job;
  const found = assessment.findings.filter((/** @type {any} */ each) => each.code !== "leave_alone");
  return {
    heading: gettext("Where it stands"),
    content: [
      refusedEntry(job),
      !isClosed(job) && findingNotices(found), // Before the drawing, which fills a small tablet.
      heightsPlan(assessment.corners, units),
      concessionInForce(job, units),
      section(gettext("What comes next"), h("p", null, job.next_step_detail.detail)),
      isClosed(job) && notedInTheJob(found),
      inWords(assessment, units),
      sides(assessment.sides, units),
      readingsBehind(context),
      takeCare(job),
    ],
    actions: actions(context),
  };
}

/** @param {Job} job @returns {import("../../context.js").Screen} */
function nothingJudged(job) {
  return {
    heading: gettext("Where it stands"),
    content: [notice("note", gettext("Nothing is judged yet"), h("p", null, job.next_step_detail.detail))],
    actions: [link(gettext("Go on"), hashOf("job", job.id), true)],
  };
}

/** @param {JobContext} context */
function actions(context) {
  const { job } = context;
  const other = link(gettext("Other steps"), hashOf("job", job.id, "other"));
  const seen = () => context.drafts.set(seenKey(job), verdictKey(job));
  if (stepNow(job, context.waiting) === "propose") {
    const ask = once(async () => {
      seen();
      await context.records.propose();
      context.navigate(hashOf("job", job.id));
    });
    return [
      other,
      link(gettext("Set-points by hand"), hashOf("job", job.id, "by-hand")),
      button(gettext("Ask for a proposal"), () => void ask(), { kind: "main" }),
    ];
  }
  const goOn = () => {
    seen();
    context.navigate(hashOf("job", job.id));
  };
  return [other, button(goOnWords(job), goOn, { kind: "main" })];
}

/** @param {Job} job */
function goOnWords(job) {
  switch (job.next_step) {
    case "read_again":
      return gettext("Go on: read again");
    case "settle_and_measure":
      return gettext("Go on: settle and measure");
    case "sign_off":
      return gettext("Go on to the sign-off");
    default:
      return gettext("Go on");
  }
}

/** @param {any} assessment @param {Units} units */
function inWords(assessment, units) {
  const sentences = CORNERS.map((corner) => {
    const each = assessment.corners[corner];
    const values = {
      corner: cornerName(corner),
      height: units.show(each.mean_mm),
      uncertainty: units.show(each.expanded_uncertainty_mm),
      by: units.show(each.deviation_mm).replace(MINUS, ""), // Rounded with its sign, as in the drawing.
      tolerance: units.show(each.tolerance_mm),
      unit: units.sign,
    };
    return h("li", null, cornerSentence(each, values));
  });
  return section(gettext("In words"), h("ul", { class: "prose" }, sentences));
}

/** @param {any} judged @param {Record<string, string>} values */
function cornerSentence({ verdict: found, deviation_mm: deviation }, values) {
  const where =
    deviation > 0
      ? gettext("%(corner)s stands at %(height)s ± %(uncertainty)s %(unit)s, %(by)s %(unit)s above its target.", values)
      : gettext("%(corner)s stands at %(height)s ± %(uncertainty)s %(unit)s, %(by)s %(unit)s below its target.", values);
  return `${where} ${verdictSentence(found, values)}`;
}

/** @param {string} found @param {Record<string, string>} values */
function verdictSentence(found, values) {
  switch (found) {
    case "within":
      return gettext("Within its tolerance of ± %(tolerance)s %(unit)s, whatever the tape may be off.", values);
    case "outside":
      return gettext("Outside its tolerance of ± %(tolerance)s %(unit)s, whatever the tape may be off.", values);
    default:
      return gettext("So near the edge of ± %(tolerance)s %(unit)s that the tape cannot tell.", values);
  }
}

/** @param {Record<string, any>} sides @param {Units} units */
function sides(sides, units) {
  const columns = [
    { label: gettext("Side difference") },
    { label: gettext("Difference, %(unit)s", { unit: units.sign }), number: true },
    { label: gettext("At most, %(unit)s", { unit: units.sign }), number: true },
    { label: gettext("Verdict") },
  ];
  const rows = ["front", "rear"].map((axle) => {
    const each = sides[axle];
    const difference = `${units.show(
      each.difference_mm,
      { signed: true },
    )} ± ${units.show(each.expanded_uncertainty_mm)}`;
    return [axleName(axle), difference, units.show(each.limit_mm), verdict(each.verdict)];
  });
  return table(gettext("Side differences"), columns, rows);
}

/** Every reading that counts, each to be struck out where it was wrong. @param {JobContext} context */
function readingsBehind(context) {
  const { job, units } = context;
  const rounds = job.rounds.filter((each) => job.assessment.rounds.includes(each.id));
  const rows = rounds.flatMap(
    (each, at) => each.readings.map((/** @type {any} */ reading) => readingRow(context, at, reading)),
  );
  const columns = [
    { label: gettext("Reading") },
    { label: gettext("Height, %(unit)s", { unit: units.sign }), number: true },
    { label: gettext("Was it wrong?") },
  ];
  return h(
    "details",
    { class: "behind" },
    h("summary", null, gettext("Every reading")),
    table(gettext("Every reading"), columns, rows),
  );
}

/** @param {JobContext} context @param {number} at @param {any} reading */
function readingRow({ job, units, navigate }, at, reading) {
  const name = gettext("Round %(number)s, %(corner)s", { number: at + 1, corner: cornerName(reading.corner) });
  const height = units.show(reading.height_mm);
  if (reading.struck) return [
    name,
    h("s", null, height),
    gettext("struck out: %(reason)s", { reason: reading.strike?.reason ?? "" }),
  ];
  const strike = () => navigate(hashOf("job", job.id, "strike", reading.id));
  const label = gettext("Strike out: %(reading)s", { reading: `${name}, ${height}` });
  return [
    name,
    height,
    h("button", { type: "button", class: "button", "aria-label": label, click: strike }, gettext("Strike out")),
  ];
}
