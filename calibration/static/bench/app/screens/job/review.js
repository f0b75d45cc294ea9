/** The whole round once more, before it becomes a record that nobody can change. */

import { h } from "../../dom.js";
import { button, choices, cornerName, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { dayAndTime, withOffset } from "../../time.js";
import { restKey } from "./at_rest.js";
import { baseOf, shownIn } from "./bases.js";
import { controlledCorners } from "./course.js";
import { count, degreesIn, keypad, numberField, selectField } from "./fields.js";
import * as measure from "./measure.js";
import * as setpoints from "./setpoints.js";
import { once } from "./once.js";
import { link, table } from "./parts.js";
import { draftKey, isComplete, measurersOf, readingsAt } from "./round.js";
import { CORNERS, ridePositions } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("./round.js").RoundDraft} RoundDraft */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts } = context;
  const draft = /** @type {RoundDraft | null} */ (drafts.get(draftKey(job)));
  if (!draft || !isComplete(draft)) return measure.render(context);
  const isUnread = (/** @type {string} */ corner) => count(draft.setpoints[corner] ?? "") === null;
  if (controlledCorners(job).some(isUnread)) return setpoints.render(context);
  const keep = () => drafts.set(draftKey(job), draft);
  const record = button(
    gettext("Record this round"),
    once(() => store(context, draft, temperature)),
    { kind: "main", disabled: draft.settled === null },
  );
  const temperature = numberField(
    {
      id: "temperature",
      label: gettext("Temperature in the bay"),
      unit: "°C",
      value: draft.temperature,
      optional: true,
    },
  );
  temperature.input.addEventListener("input", () => {
    draft.temperature = temperature.input.value;
    keep();
  });
  const position = selectField(
    { id: "position", label: gettext("Ride position"), value: draft.ride_position },
    ridePositions(),
  );
  position.input.addEventListener("change", () => {
    draft.ride_position = position.input.value;
    keep();
  });
  return {
    heading: gettext("Look it over"),
    content: [
      draft.paper && h("p", null, gettext("From the paper worksheet, measured on %(at)s.", { at: dayAndTime(draft.paper) })),
      isCutShort(draft) && cutShortWords(draft),
      roundTable(context, draft),
      measurersOf(draft).some(({ id }) => id !== context.person.id) && measure.whoseReadings(draft),
      choices({
        id: "settled",
        label: gettext("While it was measured, the vehicle"),
        options: [
          ["yes", gettext("stood still")],
          ["no", gettext("had not come to rest: the round is kept and not judged")],
        ],
        value: draft.settled === null ? null : draft.settled ? "yes" : "no",
        changed: (value) => {
          draft.settled = value === "yes";
          record.disabled = false;
          keep();
        },
      }),
      h(
        "details",
        { class: "behind" },
        h("summary", null, gettext("Temperature, another ride position")),
        h(
          "div",
          { class: "stack" },
          temperature.element,
          keypad([/** @type {HTMLInputElement} */ (temperature.input)], { point: true }),
          position.element,
        ),
      ),
      notice("note", gettext("Once recorded, a reading is struck out with a reason, never changed")),
    ],
    actions: [link(gettext("Back to the set-points"), hashOf("job", job.id, "setpoints")), record],
    update: () => undefined,
  };
}

/** @param {RoundDraft} draft */
function isCutShort({ settling_cut_short_s: seconds = null }) {
  return seconds !== null;
}

/** @param {RoundDraft} draft */
function cutShortWords({ settling_cut_short_s: seconds }) {
  return notice("review", gettext("The wait for it to settle was cut short after %(seconds)s s; the round says so", { seconds }));
}

/** @param {JobContext} context @param {RoundDraft} draft */
function roundTable(context, draft) {
  const { job, units } = context;
  const base = baseOf(context);
  const controlled = controlledCorners(job);
  const columns = [
    { label: gettext("Corner") },
    { label: gettext("Readings, %(unit)s", { unit: units.sign }), number: true },
    { label: gettext("Set-point"), number: true },
  ];
  const rows = CORNERS.map((corner) => [
    cornerName(corner),
    readingsAt(draft, corner)
      .map((each) => units.show(each.height_mm))
      .join(" · "),
    controlled.includes(corner) ? shownIn(count(draft.setpoints[corner] ?? ""), base) : gettext("not controlled"),
  ]);
  return table(gettext("Readings and set-points"), columns, rows);
}

/** @param {JobContext} context @param {RoundDraft} draft @param {import("./fields.js").Field} temperature */
async function store(context, draft, temperature) {
  const { job, drafts, records, navigate } = context;
  const degrees = degreesIn(temperature);
  if (degrees === null) return false;
  const counts = Object.fromEntries(
    controlledCorners(job).map((corner) => [corner, count(draft.setpoints[corner] ?? "") ?? 0]),
  );
  const kept = await records.round({
    taken_at: draft.read_at ?? withOffset(),
    instrument: draft.instrument.id,
    ...degrees,
    ride_position: draft.ride_position,
    settled: draft.settled === true,
    ...(isCutShort(draft) && { settling_cut_short_s: draft.settling_cut_short_s }),
    ...(draft.paper && { recorded_from: "paper" }),
    setpoints: counts,
    readings: draft.readings,
  }, drafts.idOf(draftKey(job)));
  drafts.clear(draftKey(job));
  drafts.clear(restKey(job));
  drafts.set(`last:${job.id}`, { round: kept.id });
  return navigate(hashOf("job", job.id));
}
