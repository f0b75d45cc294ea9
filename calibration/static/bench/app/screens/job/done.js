/** The job is closed: its document, and what is still to be done on the vehicle. */

import { fill, h } from "../../dom.js";
import { button, facts, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime } from "../../time.js";
import { link, notedInTheJob, section, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

const ASK_EVERY_MS = 3_000;

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job } = context;
  const paper = h("div", { "aria-live": "polite" });
  const stop = awaitDocument(context, paper);
  const followUps = /** @type {Map<string, string>} */ (
    new Map(job.proposals.flatMap((each) => each.follow_ups.map((/** @type {any} */ one) => [one.code, one.detail])))
  );
  return {
    heading: heading(job.state),
    content: [
      notice("note", job.next_step_detail.detail),
      job.closed_at ? facts([[gettext("Closed"), dayAndTime(job.closed_at)], ...ending(job)]) : null,
      paper,
      job.writes.length > 0 && followUps.size > 0 && section(
        gettext("To be done before it is used"),
        h("ul", { class: "prose" }, [...followUps.values()].map((each) => h("li", null, each))),
      ),
      notedInTheJob(job.findings.filter((each) => each.in_force && each.code !== "leave_alone")),
      takeCare(job),
    ],
    actions: [
      link(gettext("See where it stands"), hashOf("job", job.id, "result")),
      hasWayBack(job) && link(gettext("Go back to as found, in a new job"), hashOf("open", job.vehicle.vin, job.id)),
      link(gettext("Next vehicle"), hashOf("today"), true),
    ],
    leave: stop,
    update: () => undefined,
  };
}

/** @param {import("../../context.js").Job} job */
function hasWayBack({ closed_at, state, as_found, writes }) {
  return closed_at !== null && state !== "reverted" && as_found !== null && writes.length > 0;
}

/** @param {string} state */
function heading(state) {
  if (state === "signed_off") return gettext("Signed off");
  return state === "reverted" ? gettext("Back at earlier set-points") : gettext("Ended");
}

/** @param {import("../../context.js").Job} job @returns {[string, string][]} */
function ending({ end, sign_off }) {
  if (sign_off) return [[gettext("Signed by"), sign_off.recorded_by_name ?? "–"]];
  return end ? [[gettext("Why it ended"), end.reason]] : [];
}

/**
 * The document follows in the background.
 * @param {JobContext} context
 * @param {HTMLElement} paper
 * @returns {() => void}
 */
function awaitDocument({ job, reads }, paper) {
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let next;
  let isLeft = false;
  const ask = async () => {
    const found = await reads.certificate(job.id);
    fill(paper, documentWords(found));
    if (!isThere(found) && !isLeft) next = setTimeout(() => void ask(), ASK_EVERY_MS);
  };
  fill(paper, documentWords(null));
  void ask();
  return () => {
    isLeft = true;
    clearTimeout(next);
  };
}

/**
 * @param {import("../../context.js").Certificate | null} found
 * @returns {found is import("../../context.js").Certificate}
 */
function isThere(found) {
  return found?.state === "issued" || found?.state === "replaced";
}

/** @param {import("../../context.js").Certificate | null} found */
function documentWords(found) {
  if (!isThere(found)) return h(
    "p",
    { class: "soft" },
    gettext("The document is being made. You need not wait for it."),
  );
  const kind = found.kind === "certificate" ? gettext("Certificate") : gettext("Findings report");
  return facts([[kind, h("b", { id: "certificate" }, found.number)]]);
}
