/** Parts that only the job's screens need, besides those of `parts.js`. */

import { h, s } from "../../dom.js";
import { cautions, notice } from "../../parts.js";
import { gettext } from "../../texts.js";
import { verdictWord } from "./words.js";

/** @typedef {import("../../context.js").Content} Content */
/** @typedef {import("../../context.js").Job} Job */

/**
 * What can hurt somebody at a step, as the service says it.
 * @param {Job} job
 * @param {string} [step] where it is not the job's next one: what is done without network comes before it is read again
 */
export function takeCare(job, step = job.next_step) {
  return cautions(step === job.next_step ? job.cautions : (job.cautions_ahead[step] ?? job.cautions));
}

/** @param {string} heading @param {Content[]} content */
export function section(heading, ...content) {
  return h("section", { class: "stack" }, h("h2", { class: "section-head" }, heading), content);
}

/** A button that leads to another screen. @param {string} label @param {string} hash @param {boolean} [main] */
export function link(label, hash, main = false) {
  return h("a", { class: `button${main ? " button-main" : ""}`, href: hash }, label);
}

/** @param {string} text @param {'' | 'closed' | 'waiting'} [kind] */
export function state(text, kind = "") {
  return h("span", { class: `state${kind ? ` state-${kind}` : ""}` }, text);
}

/** A verdict as mark and word. @param {string | null} given */
export function verdict(given) {
  return h(
    "span",
    { class: "verdict" },
    s("svg", { viewBox: "-7 -7 14 14", "aria-hidden": "true", focusable: "false" }, verdictMark(given)),
    verdictWord(given),
  );
}

/** @param {string | null} given */
function verdictMark(given) {
  if (given === "outside") return s("path", { class: "mark mark-outside", d: "M0-6.6 6.6 0 0 6.6-6.6 0z" });
  if (given === "within") return s("circle", { class: "mark mark-within", r: 5.2 });
  return s("circle", { class: `mark mark-${given === "undecided" ? given : "unjudged"}`, r: 4.6 });
}

/**
 * Two presses, the second in another place, for the one thing to do next.
 * @param {string} label
 * @param {Content[]} step what follows, and the button that does it
 */
export function confirmMain(label, ...step) {
  return h(
    "details",
    { class: "confirm" },
    h("summary", { class: "button button-main" }, label),
    h("div", { class: "confirm-step" }, step),
  );
}

/**
 * A table whose rows become blocks in a narrow place.
 * @param {string} caption for a screen reader; the heading above says it to others
 * @param {{label: string, number?: boolean}[]} columns the first heads the row
 * @param {Content[][]} rows
 */
export function table(caption, columns, rows) {
  const kind = (/** @type {number} */ at) => (columns[at]?.number ? "number" : null);
  return h(
    "div",
    { class: "table-frame" },
    h(
      "table",
      { class: "ruled ruled-reflow", role: "table" },
      h("caption", { class: "unseen" }, caption),
      h(
        "thead",
        { role: "rowgroup" },
        h(
          "tr",
          { role: "row" },
          columns.map((each, at) => h("th", { role: "columnheader", scope: "col", class: kind(at) }, each.label)),
        ),
      ),
      h(
        "tbody",
        { role: "rowgroup" },
        rows.map(
          (cells) => h(
            "tr",
            { role: "row" },
            cells.map((cell, at) => tableCell(cell, columns[at]?.label ?? "", at, kind(at))),
          ),
        ),
      ),
    ),
  );
}

/** @param {Content} cell @param {string} label @param {number} at @param {string | null} kind */
function tableCell(cell, label, at, kind) {
  if (at === 0) return h("th", { role: "rowheader", scope: "row" }, cell);
  return h("td", { role: "cell", class: kind, "data-label": label }, h("span", null, cell));
}

/** What the service found, worst first. @param {any[]} findings */
export function findingNotices(findings) {
  const order = ["stop", "review", "note"];
  return [...findings]
    .sort((one, other) => order.indexOf(one.severity) - order.indexOf(other.severity))
    .map((each) => notice(each.severity, each.detail, each.ruling ? ruled(each.ruling) : null));
}

/** What was found in a job that is closed: to be read, no longer to be acted upon within it. @param {any[]} findings */
export function notedInTheJob(findings) {
  if (!findings.length) return null;
  const notices = h("div", { class: "stack" }, findingNotices(findings));
  return h("details", { class: "behind" }, h("summary", null, gettext("What was noted during the job")), notices);
}

/** @param {Job} job */
export function isClosed({ state }) {
  return ["signed_off", "ended", "reverted"].includes(state);
}

/**
 * The set-points that were entered last and that a limit refused, until something is measured or proposed after them.
 * @param {Job} job
 */
export function refusedEntry({ proposals, rounds }) {
  const last = proposals.at(-1);
  const measured_at = Date.parse(rounds.at(-1)?.recorded_at ?? 0);
  if (last?.outcome !== "refused" || Date.parse(last.recorded_at) < measured_at) return null;
  return notice("stop", gettext("The set-points entered by hand are refused"), h("p", null, last.detail));
}

/** @param {any} ruling */
function ruled(ruling) {
  const values = { name: ruling.recorded_by_name ?? "–", reason: ruling.reason };
  const text =
    ruling.decision === "accept"
      ? gettext("%(name)s accepted it: %(reason)s", values)
      : gettext("%(name)s let it stand: %(reason)s", values);
  return h("p", null, text);
}
