/** The signature, by PIN, over exactly what is shown here. */

import { heightsPlan } from "../../drawing/heights.js";
import { fill, h } from "../../dom.js";
import { button, cornerName, notice } from "../../parts.js";
import { pinPad } from "../../pin_pad.js";
import { problemWords } from "../../problems.js";
import { hashOf } from "../../router.js";
import { gettext, ngettext } from "../../texts.js";
import { concessionInForce } from "./concession.js";
import { linesField } from "./fields.js";
import { findingNotices, link, section, table, takeCare, verdict } from "./parts.js";
import { CORNERS } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Job} Job */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, units, online } = context;
  const remark = linesField(
    { id: "remark", label: gettext("What the certificate is to say besides"), optional: true, maxlength: 500 },
  );
  const offline = h("div", null, !online && withoutNetwork());
  const pad = pinPad(
    {
      label: gettext("Your PIN"),
      action: gettext("Sign"),
      submit: (pin) => sign(context, pin, remark.input.value.trim()),
    },
  );
  const step = h(
    "section",
    { class: "confirm-step", hidden: true },
    h(
      "p",
      null,
      gettext(
        "You sign that the work is complete as it is shown on this screen. %(name)s signs.",
        { name: context.person.name },
      ),
    ),
    pad,
  );
  const open = button(
    gettext("Sign …"),
    () => {
      step.hidden = false;
      open.disabled = true; // It stays in its place: nothing else comes under the finger.
      document.getElementById("pin")?.focus({ preventScroll: true });
      step.scrollIntoView({ block: "center" });
    },
    { kind: "main" },
  );
  return {
    heading: gettext("Sign off"),
    content: [
      h("p", null, job.next_step_detail.detail),
      heightsPlan(job.assessment.corners, units),
      concessionInForce(job, units),
      before(job, units),
      findingNotices(job.findings.filter((each) => each.severity !== "note" || each.in_force)),
      afterwards(job),
      takeCare(job),
      remark.element,
      offline,
      step,
    ],
    actions: [link(gettext("Other steps"), hashOf("job", job.id, "other")), open],
    update(next) {
      if (next.job?.content_sha256 !== job.content_sha256) return "again";
      return fill(offline, !next.online && withoutNetwork());
    },
  };
}

function withoutNetwork() {
  return notice("review", gettext("Signing needs the network: the service checks that you sign what it holds"));
}

/** What it was and what it is. @param {Job} job @param {import("../../context.js").Units} units */
function before(job, units) {
  const [found, left] = [job.as_found?.assessment?.corners, job.assessment.corners];
  const columns = [
    { label: gettext("Corner") },
    { label: gettext("As found"), number: true },
    { label: gettext("As left"), number: true },
    { label: gettext("Target"), number: true },
    { label: gettext("Verdict") },
    { label: gettext("Set-point found → left"), number: true },
  ];
  const rows = CORNERS.map((corner) => [
    cornerName(corner),
    found ? units.show(found[corner].mean_mm) : "–",
    `${units.show(left[corner].mean_mm)} ± ${units.show(left[corner].expanded_uncertainty_mm)}`,
    `${units.show(left[corner].target_mm)} ± ${units.show(left[corner].tolerance_mm)}`,
    verdict(left[corner].verdict),
    `${job.as_found?.setpoints[corner] ?? "–"} → ${job.setpoints?.[corner] ?? "–"}`,
  ]);
  const heading = gettext("What was done, in %(unit)s", { unit: units.sign });
  return section(heading, h("p", null, courseWords(job)), table(heading, columns, rows));
}

/** @param {Job} job */
function courseWords(job) {
  const rounds = ngettext("%(count)s round", "%(count)s rounds", job.rounds.length);
  const writes = ngettext("%(count)s write", "%(count)s writes", job.writes.length);
  const struck = job.rounds.flatMap((each) => each.readings).filter((each) => each.struck).length;
  return [
    rounds,
    writes,
    struck && ngettext("%(count)s reading struck out", "%(count)s readings struck out", struck),
  ].filter(Boolean).join(", ");
}

/** @param {Job} job */
function afterwards(job) {
  const all = job.writes.length ? job.proposals.flatMap((each) => each.follow_ups) : [];
  const details = [...new Map(all.map((/** @type {any} */ each) => [each.code, each.detail])).values()];
  if (details.length === 0) return null;
  return section(
    gettext("To be done afterwards"),
    h("ul", { class: "prose" }, details.map((each) => h("li", null, each))),
  );
}

/**
 * Signs; gives why it could not, or null.
 * @param {JobContext} context
 * @param {string} pin
 * @param {string} remark
 * @returns {Promise<string | null>}
 */
async function sign({ job, intents, navigate, reads }, pin, remark) {
  const { outcome, answer } = await intents.sign(
    { pin, content_sha256: job.content_sha256, ...(remark && { remark }) },
  );
  if (outcome === "pin") return problemWords(answer?.problem ?? null, answer?.status ?? 0);
  if (outcome !== "signed") return outcomeWords(outcome);
  await reads.refresh(job.id);
  navigate(hashOf("job", job.id));
  return null;
}

/** @param {import("../../context.js").Signing} outcome */
function outcomeWords(outcome) {
  switch (outcome) {
    case "records_first":
      return gettext("Records of this job are still on their way. Sign when they are sent.");
    case "sign_in":
      return gettext("You are signed out. Enter your PIN at the start of the app, then sign again.");
    case "later":
      return gettext("The service does not answer. Sign again when there is a connection; your PIN is not kept.");
    default:
      return gettext("The record changed since it was shown. Look at it as it stands now, and sign again.");
  }
}
