/** Another person must decide: what, why and who; and what may be done until then. */

import { h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { baseOf } from "./bases.js";
import { targets } from "./concession.js";
import { isToBeRuled } from "./decide.js";
import { findingNotices, link, section, takeCare } from "./parts.js";
import { changes, proposalWords } from "./proposal.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, reads } = context;
  const { approval } = job;
  const asked = approval ? gettext("Asked on %(at)s.", { at: dayAndTime(approval.requested_at) }) : "";
  return {
    heading: job.next_step_detail.one_decides_alone ? gettext("To be decided") : gettext("Waits for another person"),
    content: [
      notice("review", job.next_step_detail.detail, asked && h("p", null, asked)),
      approval ? whatIsAsked(context) : findingsToRule(job),
      meanwhile(job),
      takeCare(job),
    ],
    actions: [
      link(gettext("Other steps"), hashOf("job", job.id, "other")),
      approval && link(gettext("Decide here, by PIN"), hashOf("job", job.id, "decide")),
      button(gettext("Look again"), () => void reads.refresh(job.id), { kind: "main" }),
    ],
  };
}

/** @param {JobContext} context */
function whatIsAsked(context) {
  const { job, units } = context;
  const { approval, proposal } = job;
  if (proposal && approval.proposal === proposal.id) {
    return [changes(proposal, baseOf(context), { units }), proposalWords(proposal, units)];
  }
  const concession = job.concessions.find((/** @type {any} */ each) => each.id === approval.concession);
  return [h("p", null, approval.detail), concession && targets(job, concession, units)];
}

/** @param {import("../../context.js").Job} job */
function findingsToRule(job) {
  const open = job.findings.filter((each) => each.in_force && each.severity !== "note");
  return open.map((each) => h("div", { class: "stack" }, findingNotices([each]), ruleLink(job, each)));
}

/** @param {import("../../context.js").Job} job @param {any} finding */
export function ruleLink(job, finding) {
  return isToBeRuled(finding) && link(gettext("A manager rules here, by PIN"), hashOf("job", job.id, "decide", finding.id));
}

/** @param {import("../../context.js").Job} job */
function meanwhile(job) {
  return section(
    gettext("Until then"),
    h("p", null, whereWords(job)),
    h("p", null, gettext("Write nothing. You may take photos, measure another round, or go on with another vehicle.")),
  );
}

/** @param {import("../../context.js").Job} job without an approval it is about findings, which managers look up */
function whereWords({ approval, next_step_detail: { one_decides_alone: isAlone } }) {
  if (isAlone) return gettext("Whoever approves in this workshop decides here, by PIN, or on the page “Approvals and rulings”, at a desk or phone.");
  return approval
    ? gettext("Whoever may decide is told, and finds it on the page “Approvals and rulings”, at a desk or phone.")
    : gettext("A manager finds it on the page “Approvals and rulings”, at a desk or phone. Tell one.");
}
