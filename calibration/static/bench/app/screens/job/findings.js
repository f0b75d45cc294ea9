/** Stop and look: what was found, what leads on from it, and what is open besides. */

import { h } from "../../dom.js";
import { notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { ruleLink } from "./approval.js";
import { goingOn } from "./leak_test.js";
import { latestResult } from "./leak_result.js";
import { findingNotices, isClosed, link, notedInTheJob, refusedEntry, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

const OF_TYRES = ["tyre_not_listed", "load_capacity_low"];

/** @param {import("../../context.js").Job} job @param {any} finding */
function tyresLink(job, { code }) {
  return OF_TYRES.includes(code) && link(gettext("Record other tyres"), hashOf("job", job.id, "tyres"));
}

/** @param {import("../../context.js").Job} job */
function isAboutLeaks({ next_step_detail: { reason } }) {
  return reason.startsWith("leak_");
}

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job } = context;
  const isInspection = job.next_step === "inspect";
  const [standing, settled] = [true, false].map((wanted) => job.findings.filter((each) => each.in_force === wanted));
  const at = (/** @type {string} */ name) => hashOf("job", job.id, name);
  return {
    heading: isInspection ? gettext("Stop and look") : gettext("What was found"),
    content: [
      isInspection && notice("stop", job.next_step_detail.detail),
      goingOn(context),
      refusedEntry(job),
      isClosed(job)
        ? notedInTheJob(standing)
        : standing.map((each) => [findingNotices([each]), ruleLink(job, each), tyresLink(job, each)]),
      (isClosed(job) || standing.length === 0) && h("p", null, gettext("Nothing is open.")),
      settled.length > 0 &&
        h(
          "details",
          { class: "behind" },
          h("summary", null, gettext("Mended, overtaken or accepted")),
          h("div", { class: "stack" }, findingNotices(settled)),
        ),
      latestResult(context),
      isInspection && takeCare(job),
      isInspection &&
        h(
          "div",
          { class: "actions" },
          isAboutLeaks(job) && link(gettext("Test for leaks"), at("leak-test")),
          link(gettext("Measure another round"), at("measure")),
          link(gettext("Enter set-points by hand"), at("by-hand")),
          link(gettext("Go back to as found"), at("go-back")),
          link(gettext("End the job"), at("end")),
        ),
    ],
    actions: isInspection
      ? [link(gettext("Other steps"), at("other")), link(gettext("Record what was mended"), at("event"), true)]
      : [link(gettext("Back to the job"), hashOf("job", job.id), true)],
  };
}
