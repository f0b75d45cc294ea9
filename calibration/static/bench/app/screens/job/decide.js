/** A request for approval, or a finding, laid out for whoever decides on it at this tablet. */

import { heightsPlan } from "../../drawing/heights.js";
import { h } from "../../dom.js";
import { choices, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { baseOf } from "./bases.js";
import { byPin } from "./by_pin.js";
import { targets } from "./concession.js";
import { findingNotices, link, section, takeCare } from "./parts.js";
import { changes, proposalWords } from "./proposal.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Screen} Screen */

/** @param {JobContext} context @returns {Screen} */
export function render(context) {
  const finding = context.route.rest[2];
  return finding ? ruling(context, finding) : approval(context);
}

/** Whether somebody can rule on it now. @param {any} finding */
export function isToBeRuled({ severity, in_force, code, ruling: ruled }) {
  return severity !== "note" && in_force && code !== "load_capacity_low" && ruled?.decision !== "accept";
}

/** @param {JobContext} context @returns {Screen} */
function approval(context) {
  const { job, units } = context;
  const { approval: asked } = job;
  if (!asked) return nothing(context);
  const decide = decision(context, {
    part: `approvals/${asked.id}/decision/`,
    options: [
      ["approve", gettext("approved: it may be done")],
      ["refuse", gettext("refused: it is not done")],
    ],
    who: aloneWords(job) ?? gettext("Neither who measured, proposed or wrote: a manager, or whom a manager has named."),
    fields: { content_sha256: asked.content_sha256 },
  });
  return {
    heading: gettext("Decide"),
    content: [notice("review", asked.detail), about(context), decide.element, takeCare(job)],
    actions: [link(gettext("Back"), hashOf("job", job.id))],
    update(next) {
      if (next.job?.approval?.content_sha256 !== asked.content_sha256) return "again";
      return decide.update(next);
    },
  };

  /** @param {JobContext} shown */
  function about(shown) {
    if (asked.subject === "proposal" && job.proposal) {
      return [changes(job.proposal, baseOf(shown), { units }), proposalWords(job.proposal, units)];
    }
    const concession = asked.subject === "concession" && job.concessions.find((/** @type {any} */ each) => each.id === asked.concession);
    return [concession && targets(job, concession, units), job.assessment && heightsPlan(job.assessment.corners, units)];
  }
}

/** Who decides where nobody else is there to do it. @param {import("../../context.js").Job} job */
function aloneWords({ next_step_detail: { one_decides_alone: isAlone } }) {
  return isAlone ? gettext("Whoever approves in this workshop, on their own work too: the record says that it is self-approved.") : null;
}

/** @param {any} finding */
function acceptedWords({ code }) {
  return code === "leak_outside"
    ? gettext("accepted: the test was wrong, and is made again")
    : gettext("accepted: the job may go on");
}

/** @param {JobContext} context @param {string} id @returns {Screen} */
function ruling(context, id) {
  const { job, units } = context;
  const finding = job.findings.find((each) => each.id === id);
  if (!finding || !isToBeRuled(finding)) return nothing(context);
  const decide = decision(context, {
    part: `jobs/${job.id}/rulings/`,
    options: [
      ["accept", acceptedWords(finding)],
      ["reject", gettext("it stands: the vehicle is mended, set back, or the job is ended")],
    ],
    who: aloneWords(job) ?? gettext("A manager, who neither measured nor recorded what it is about."),
    fields: { finding: id },
  });
  return {
    heading: gettext("Rule on a finding"),
    content: [
      findingNotices([finding]),
      job.assessment && section(gettext("How the vehicle stands now"), heightsPlan(job.assessment.corners, units)),
      decide.element,
      takeCare(job),
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id))],
    update: (next) => decide.update(next),
  };
}

/**
 * @param {JobContext} context
 * @param {{part: string, options: [string, string][], who: string, fields: Record<string, unknown>}} what
 */
function decision(context, { part, options, who, fields }) {
  let chosen = "";
  const step = byPin(context, {
    part,
    who,
    action: gettext("Decide"),
    reason: gettext("Why it is decided so"),
    fields: (reason) => chosen ? { ...fields, decision: chosen, reason } : gettext("Choose what is decided."),
  });
  const how = choices({
    id: "decision",
    label: gettext("The decision"),
    options,
    value: null,
    changed: (value) => (chosen = value),
  });
  return { ...step, element: h("section", { class: "confirm-step" }, how, step.element) };
}

/** @param {JobContext} context @returns {Screen} */
function nothing({ job }) {
  return {
    heading: gettext("Decide"),
    content: [notice("note", gettext("Nothing is to be decided here now"), h("p", null, job.next_step_detail.detail))],
    actions: [link(gettext("Go on"), hashOf("job", job.id), true)],
  };
}
