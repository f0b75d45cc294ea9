/** The write: the right vehicle first, then two presses; what was read back is on the next screen. */

import { fill, h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime, withOffset } from "../../time.js";
import { baseOf } from "./bases.js";
import { setpointsNow, writeOfProposal } from "./course.js";
import { textField } from "./fields.js";
import { link, takeCare } from "./parts.js";
import * as proposal from "./proposal.js";
import * as readBack from "./read_back.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Job} Job */

const LAST = 4;

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts } = context;
  if (!job.proposal || job.proposal.outcome === "refused") return proposal.render(context);
  if (drafts.get(readBack.writtenKey(job))?.proposal === job.proposal.id) return readBack.render(context);
  const done = writeOfProposal(job, context.waiting);
  if (done) return isWritten(job, done);
  const vin = textField({
    id: "vin",
    label: gettext("Last four of the VIN"),
    hint: gettext("Read them off the vehicle in front of you, not off this tablet."),
    maxlength: LAST,
  });
  vin.input.classList.add("vin-entry");
  vin.input.setAttribute("autocapitalize", "characters");
  const care = takeCare(job, "write");
  const screen = h("div", { class: "stack" });
  const check = h("form", { id: "vehicle", novalidate: true }, vin.element);
  check.addEventListener("submit", (event) => {
    event.preventDefault();
    const isRight = vin.input.value.trim().toUpperCase() === job.vehicle.vin.slice(-LAST);
    vin.fail(
      isRight ? null : gettext(
        "This job is for another vehicle, or a character is mistyped. Write nothing before they agree.",
      ),
    );
    if (!isRight) return vin.input.focus();
    const step = secondStep(context);
    fill(screen, step, care);
    step.focus({ preventScroll: true });
    first.disabled = true; // It stays in its place: nothing else comes under the finger.
  });
  const first = h("button", { class: "button button-main", form: "vehicle" }, gettext("This is the vehicle"));
  fill(screen, h("div", { class: "bench-split" }, check, care));
  queueMicrotask(() => vin.input.focus({ preventScroll: true }));
  return {
    heading: gettext("Write"),
    content: screen,
    actions: [link(gettext("Back"), hashOf("job", job.id, "proposal")), first],
    update: (next) => {
      const { job: now } = next;
      const isSame = now?.proposal?.id === job.proposal.id && !writeOfProposal(now, next.waiting);
      return isSame ? undefined : "again";
    },
  };
}

/** Nobody records the same write twice: what comes next is offered. @param {Job} job @param {{written_at: string}} done */
function isWritten(job, { written_at }) {
  const why = gettext("Its set-points are in the vehicle, and the record of it is kept. A further write follows from a new proposal.");
  return {
    heading: gettext("Write"),
    content: notice("note", gettext("This proposal was written on %(at)s", { at: dayAndTime(written_at) }), h("p", null, why)),
    actions: [link(gettext("Other steps"), hashOf("job", job.id, "other")), link(gettext("Go on with the job"), hashOf("job", job.id), true)],
  };
}

/** @param {JobContext} context */
function secondStep(context) {
  const { job, drafts, navigate } = context;
  const written = () => {
    drafts.set(readBack.writtenKey(job), { proposal: job.proposal.id, written_at: withOffset(), typed: {} });
    navigate(hashOf("job", job.id, "read-back"));
  };
  return h(
    "section",
    { class: "confirm-step", tabindex: "-1" },
    h("p", null, h("strong", null, gettext("Everybody stands clear, nobody is in the pit or aboard: the vehicle moves"))),
    h("p", null, gettext("Now store these set-points with your tool; then press “They are written”.")),
    proposal.changes(job.proposal, baseOf(context), { stored: setpointsNow(job, context.waiting) }),
    button(gettext("They are written"), written, { kind: "main", id: "written" }),
  );
}
