/** Another person must decide: what, why and who. */

import { h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { findingNotices, link, takeCare } from "./parts.js";
import { changes, proposalWords } from "./proposal.js";

/** @typedef {import("./index.js").JobContext} JobContext */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, reads, units } = context;
  const { approval, proposal } = job;
  const isOfProposal = approval && proposal && approval.proposal === proposal.id;
  const asked = approval ? gettext("Asked on %(at)s.", { at: dayAndTime(approval.requested_at) }) : "";
  return {
    heading: gettext("Waits for another person"),
    content: [
      notice("review", job.next_step_detail.detail, asked && h("p", null, asked)),
      approval && !isOfProposal && h("p", null, approval.detail),
      !approval && findingNotices(job.findings.filter((each) => each.in_force && each.severity !== "note")),
      isOfProposal && [changes(proposal, units), proposalWords(proposal, units)],
      takeCare(job),
    ],
    actions: [
      link(gettext("Something else"), hashOf("job", job.id, "other")),
      button(gettext("Look again"), () => void reads.refresh(job.id), { kind: "main" }),
    ],
  };
}
