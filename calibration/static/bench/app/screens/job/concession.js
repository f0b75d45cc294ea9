/** Other targets than the specification's, for this job: asked for here, decided by another person. */

import { h } from "../../dom.js";
import { button, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { keypad, linesField, numberField, textField } from "./fields.js";
import { dayField } from "./moment.js";
import { once } from "./once.js";
import { link, table, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Job} Job */
/** @typedef {import("../../context.js").Units} Units */
/** @typedef {'front' | 'rear'} Axle */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, units } = context;
  const back = link(gettext("Back"), hashOf("job", job.id));
  if (!job.specification) return withoutSpecification(back);
  const [front, rear] = /** @type {const} */ (["front", "rear"]).map((axle) => targetField(job, axle, units));
  const reason = linesField({ id: "reason", label: gettext("Why other targets") });
  const acknowledged = textField({
    id: "acknowledged",
    label: gettext("Who agreed to it for the operator"),
    hint: gettext("By name. Tell them what it changes."),
    maxlength: 120,
  });
  const day = dayField({ id: "day", label: gettext("Day on which they agreed") });
  const ask = once(() => store(context, { front, rear, reason, acknowledged, day }));
  const inputs = [front, rear].map(({ input }) => /** @type {HTMLInputElement} */ (input));
  return {
    heading: gettext("Ask for other targets"),
    content: [
      notice(
        "note",
        gettext("Another person decides on it before anything is proposed"),
        h("p", null, gettext("It holds for this job. Tolerances and all limits stay. The certificate names it.")),
        h("p", null, alteredWords()),
      ),
      concessionInForce(job, units),
      h(
        "div",
        { class: "bench-split counts" },
        h("div", { class: "stack" }, front.element, rear.element),
        keypad(inputs, { point: true, fraction: units.length === "inch" }),
      ),
      reason.element,
      acknowledged.element,
      day.element,
      takeCare(job, "write"),
    ],
    actions: [back, button(gettext("Ask for it"), () => void ask(), { kind: "main" })],
    update: () => undefined,
  };
}

/** The service's caution, before there is anything by which it would give it. */
function alteredWords() {
  return gettext(
    "Heights other than the manufacturer's change handling, braking, stability against rolling over, headlamp aim, driver-assistance sensors, tyre wear and fuel use, and may breach local law.",
  );
}

/** @param {HTMLElement} back @returns {import("../../context.js").Screen} */
function withoutSpecification(back) {
  return {
    heading: gettext("Ask for other targets"),
    content: [notice("note", gettext("There is no specification yet, hence no targets to differ from"))],
    actions: [back],
  };
}

/** @param {Job} job @param {Axle} axle @param {Units} units */
function targetField(job, axle, units) {
  const target = `${units.show(job.specification[axle].target_mm)} ${units.sign}`;
  return numberField({
    id: `target-${axle}`,
    label: axle === "front" ? gettext("Target at the front") : gettext("Target at the rear"),
    hint: gettext("specified: %(target)s; leave it empty where that stays", { target }),
    unit: units.sign,
  });
}

/**
 * @param {JobContext} context
 * @param {Record<'front' | 'rear' | 'reason' | 'acknowledged', import("./fields.js").Field>
 *   & {day: ReturnType<typeof dayField>}} fields
 */
async function store({ job, records, navigate, units }, { front, rear, reason, acknowledged, day }) {
  const of = (/** @type {Axle} */ axle, /** @type {import("./fields.js").Field} */ { input, fail }) => {
    const typed = input.value.trim();
    const target = typed ? units.parse(typed) : Number(job.specification[axle].target_mm);
    fail(target ? null : gettext("Type the height, or leave it empty."));
    return target;
  };
  const [front_target_mm, rear_target_mm] = [of("front", front), of("rear", rear)];
  if (!front_target_mm || !rear_target_mm) return false;
  const isOther = front.input.value.trim() || rear.input.value.trim();
  front.fail(isOther ? null : gettext("Type the target that is to differ."));
  const [why, who, on] = [reason.input.value.trim(), acknowledged.input.value.trim(), day.read()];
  reason.fail(why ? null : gettext("Say why. It stays on record."));
  acknowledged.fail(who ? null : gettext("Name who agreed to it. Without that it cannot be asked for."));
  if (!isOther || !why || !who || !on) return false;
  await records.concession({
    front_target_mm,
    rear_target_mm,
    reason: why,
    acknowledged_by: who,
    acknowledged_on: on,
  });
  return navigate(hashOf("job", job.id));
}

/** The targets that are asked for, beside the specification's. @param {Job} job @param {any} concession @param {Units} units */
export function targets(job, concession, units) {
  const columns = [
    { label: gettext("Axle") },
    { label: gettext("Specified, %(unit)s", { unit: units.sign }), number: true },
    { label: gettext("Asked for"), number: true },
    { label: gettext("Difference"), number: true },
  ];
  const rows = /** @type {const} */ (["front", "rear"]).map((axle) => {
    const [usual, asked] = [job.specification[axle].target_mm, concession[`${axle}_target_mm`]].map(Number);
    const name = axle === "front" ? gettext("Front") : gettext("Rear");
    return [name, units.show(usual), h("b", null, units.show(asked)), units.show(asked - usual, { signed: true })];
  });
  return table(gettext("Targets"), columns, rows);
}

/** What the verdicts are about, where it is not the specification's targets. @param {Job} job @param {Units} units */
export function concessionInForce(job, units) {
  const { concession } = job;
  if (!concession) return null;
  const asked = job.approvals.find((each) => each.concession === concession.id);
  const values = { agreed: concession.acknowledged_by, name: asked?.decision?.recorded_by_name ?? "–" };
  return notice(
    "review",
    gettext("Judged by other targets than the specification's"),
    targets(job, concession, units),
    h("p", null, concession.reason),
    h("p", null, gettext("%(agreed)s agreed to it, %(name)s approved it. The certificate says so.", values)),
  );
}
