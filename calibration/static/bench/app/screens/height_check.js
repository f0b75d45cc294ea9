/** A height check: the four corners once, without a job. The service judges; the tablet only asks again about what is far. */

import { fill, h } from "../dom.js";
import { button, cautions, choices, cornerName, field, notice } from "../parts.js";
import { hashOf } from "../router.js";
import { gettext } from "../texts.js";
import { withOffset } from "../time.js";
import { kilometres } from "../units.js";
import { normalised } from "../vin.js";
import { selectField } from "./job/fields.js";
import { parkedHeights } from "./job/heights.js";
import { chosen } from "./job/measure.js";
import { once } from "./job/once.js";
import { link, table, verdict } from "./job/parts.js";
import { CORNERS } from "./job/words.js";

/** @typedef {import("../context.js").Context} Context */
/** @typedef {import("../context.js").Instrument} Instrument */
/** @typedef {import("../context.js").Kept} Kept */
/** @typedef {import("../context.js").Vehicle} Vehicle */
/** @typedef {import("./job/index.js").JobContext} JobContext */
/** @typedef {{typed: Record<string, string>, instrument: string | null, loading: string, odometer: string}} CheckDraft */

const GROSS_LIMIT_MM = 150;
const NO_INSTRUMENT = { serial: "", length_mm: null };

/** @param {Context} context @returns {import("../context.js").Screen} */
export function renderHeightCheck(context) {
  const vin = normalised(context.route.rest[0] ?? "");
  const content = h("div", { class: "stack" }, h("p", { class: "soft" }, gettext("Reading the vehicle …")));
  const action = h("span", { class: "bench-later" });
  const read = async () => {
    const { reads } = context;
    const [vehicle, instruments] = await Promise.all([reads.vehicle(vin), reads.instruments()]);
    if (!vehicle) return fill(content, notice("review", gettext("This vehicle is not on the tablet"), gettext("Connect it, then try again.")));
    const specification = await reads.specification(vehicle.vehicle_model);
    const shown = form(context, vehicle, specification, instruments, (kept) => {
      fill(content, told(context, kept));
      fill(action, link(gettext("Another height check"), hashOf("check", vin)));
    });
    fill(content, shown.content);
    fill(action, button(gettext("Record the height check"), () => void shown.record(), { kind: "main" }));
  };
  void read();
  return {
    heading: gettext("Height check"),
    content,
    actions: [link(gettext("Back"), hashOf("vehicle", vin)), action],
    update: () => undefined,
  };
}

/**
 * @param {Context} context
 * @param {Vehicle} vehicle
 * @param {any} specification the one in force; null where none is known here
 * @param {Instrument[]} instruments
 * @param {(kept: Kept) => void} recorded
 */
function form(context, vehicle, specification, instruments, recorded) {
  const { drafts, records } = context;
  const key = `check:${vehicle.vin}`;
  /** @type {CheckDraft} */
  const draft = drafts.get(key) ?? { typed: {}, instrument: null, loading: "as_specified", odometer: "" };
  const keep = () => drafts.set(key, draft);
  const instrument = instrumentOf(instruments, draft, keep);
  const odometer = odometerOf(draft, keep);
  const heights = parkedHeights(targetsOf(context, specification), { typed: draft.typed, changed: keep });
  const record = once(async () => {
    const used = instruments.find(({ id }) => id === draft.instrument);
    const read = odometer.check() && heights.read((used && chosen(used)) ?? NO_INSTRUMENT);
    if (!read) return false;
    const { heights: mm, confirmed, ...degrees } = read;
    const kept = await records.heightCheck(vehicle, {
      taken_at: withOffset(),
      loading: draft.loading,
      ...(used && { instrument: used.id }),
      ...odometer.value(),
      ...degrees,
      readings: CORNERS.map((corner) => ({ corner, height_mm: mm[corner], ...(confirmed && { confirmed }) })),
    }, drafts.idOf(key));
    drafts.clear(key);
    return recorded(kept);
  });
  return {
    record,
    content: [
      h("p", null, h("b", null, vehicle.registration || "–"), ` · ${vehicle.make} ${vehicle.model} · `, vehicle.vin),
      notice("note", gettext("A measurement outside a job: level ground, nobody aboard, doors closed, suspension at its normal position")),
      cautions([{ code: "measuring", text: gettext("The vehicle can drop or rise without warning. Keep head, hands and arms out of the gap between tyre and wheel arch while you measure; hold the tape from the side.") }]),
      choices({
        id: "loading",
        label: gettext("How is it loaded?"),
        options: [
          ["as_specified", specification?.measuring_condition ? gettext("As specified: %(condition)s", { condition: specification.measuring_condition }) : gettext("As specified")],
          ["other", gettext("Otherwise: the heights are shown, but not judged")],
        ],
        value: draft.loading,
        changed: (loading) => {
          draft.loading = loading;
          keep();
        },
      }),
      odometer.element,
      instrument,
      heights.element,
    ],
  };
}

/** What the heights are compared with, in the place of a job's. @param {Context} context @param {any} specification */
function targetsOf(context, specification) {
  const job = { specification, concession: null, gross_limit_mm: GROSS_LIMIT_MM };
  return /** @type {JobContext} */ (/** @type {unknown} */ ({ ...context, job }));
}

/** @param {Instrument[]} instruments @param {CheckDraft} draft @param {() => void} keep */
function instrumentOf(instruments, draft, keep) {
  draft.instrument ??= instruments[0]?.id ?? "";
  const { element, input } = selectField(
    { id: "instrument", label: gettext("Measured with"), value: draft.instrument },
    [...instruments.map(({ id, serial }) => /** @type {[string, string]} */ ([id, serial])), ["", gettext("Something else: the uncertainty doubles")]],
  );
  input.addEventListener("change", () => {
    draft.instrument = input.value;
    keep();
  });
  return element;
}

/** @param {CheckDraft} draft @param {() => void} keep */
function odometerOf(draft, keep) {
  const input = h("input", { inputmode: "decimal", autocomplete: "off", value: draft.odometer });
  const element = h("div", null);
  const draw = (/** @type {string | undefined} */ error) =>
    fill(element, field({ id: "odometer", label: gettext("Odometer"), control: input, unit: "km", optional: true, error }));
  input.addEventListener("input", () => {
    draft.odometer = input.value;
    keep();
  });
  draw(undefined);
  const isEmpty = () => !input.value.trim();
  return {
    element,
    check() {
      const isRight = isEmpty() || kilometres(input.value) !== null;
      draw(isRight ? undefined : gettext("Kilometres as a number, such as 48210."));
      if (!isRight) input.focus();
      return isRight;
    },
    value: () => (isEmpty() ? {} : { odometer_km: kilometres(input.value) }),
  };
}

/** That it is kept, and what the service makes of it once it has it. @param {Context} context @param {Kept} kept */
function told(context, kept) {
  const place = h("div", { class: "stack", role: "status" });
  fill(place, notice("note", gettext("The height check is kept"), h("p", null, gettext("What it shows stands here as soon as the service has answered."))));
  void kept.settled.then(({ kind, answer }) => {
    const check = /** @type {any} */ (answer.body);
    if (kind === "sent" && check) fill(place, result(context, check));
  });
  return place;
}

/** @param {Context} context @param {any} check as the interface answers it */
function result({ units }, check) {
  const shown = (/** @type {number | null} */ mm, signed = false) => (mm === null ? "–" : units.show(mm, { signed }));
  const rows = CORNERS.map((corner) => {
    const { mean_mm, deviation_mm, expanded_uncertainty_mm, verdict: given } = check.corners[corner];
    return [
      cornerName(corner),
      shown(mean_mm),
      expanded_uncertainty_mm === null ? shown(deviation_mm, true) : `${shown(deviation_mm, true)} ± ${shown(expanded_uncertainty_mm)}`,
      verdict(given),
    ];
  });
  const columns = [
    { label: gettext("Corner") },
    { label: gettext("Height, %(unit)s", { unit: units.sign }), number: true },
    { label: gettext("Off its target"), number: true },
    { label: gettext("Verdict") },
  ];
  return [
    table(gettext("What the height check shows"), columns, rows),
    ...check.findings.map((/** @type {{severity: 'note', detail: string}} */ each) => notice(each.severity, each.detail)),
  ];
}
