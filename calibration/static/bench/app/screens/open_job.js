/** Reception: why the vehicle is here, and its odometer. */

import { fill, h } from "../dom.js";
import { choices, field, notice } from "../parts.js";
import { hashOf } from "../router.js";
import { gettext } from "../texts.js";
import { normalised } from "../vin.js";
import { reasons } from "../words.js";

/** @typedef {import("../context.js").Context} Context */
/** @typedef {import("../context.js").Vehicle} Vehicle */

const ODOMETER = /^\d{1,7}([.,]\d)?$/;

/**
 * @param {Context} context
 * @returns {import("../context.js").Screen}
 */
export function renderOpenJob(context) {
  const vin = normalised(context.route.rest[0] ?? "");
  const content = h("div", { class: "stack" }, h("p", { class: "soft" }, gettext("Reading the vehicle …")));
  const read = async () => {
    const [vehicle, bays] = [await context.reads.vehicle(vin), await context.reads.bays()];
    if (vehicle) fill(content, form(context, vehicle, bays));
    else fill(content, notice("review", gettext("This vehicle is not on the tablet"), gettext("Connect it, then try again.")));
  };
  void read();
  return {
    heading: gettext("Open a job"),
    content,
    actions: [h("button", { class: "button button-main", type: "submit", form: "reception" }, gettext("Open the job"))],
    update: () => {},
  };
}

/**
 * @param {Context} context
 * @param {Vehicle} vehicle
 * @param {{id: string, name: string}[]} bays
 */
function form(context, vehicle, bays) {
  const to_job = context.route.rest[1] ?? null;
  const values = { reason: to_job ? "reversion" : "routine", bay: "" };
  const odometer = h("input", { inputmode: "decimal", autocomplete: "off", required: true });
  const note = h("textarea", { maxlength: 2000 });
  const odometerField = h("div", null);
  const drawOdometer = (/** @type {string | undefined} */ error) =>
    fill(odometerField, field({ id: "odometer", label: gettext("Odometer"), control: odometer, unit: "km", figure: true, error }));
  drawOdometer(undefined);
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    if (!ODOMETER.test(odometer.value.trim())) {
      drawOdometer(gettext("Kilometres as a number, such as 48210."));
      return odometer.focus();
    }
    const kept = await context.records.openJob(vehicle, {
      reason: values.reason,
      ...(to_job && { to_job }),
      odometer_km: Number(odometer.value.trim().replace(",", ".")),
      ...(values.bay && { bay: values.bay }),
      note: note.value.trim(),
    });
    context.drafts.set(`opening:${kept.id}`, { vehicle: vehicle.id, vin: vehicle.vin, registration: vehicle.registration });
    context.navigate(hashOf("job", kept.id));
  };
  const bayOptions = [["", gettext("Another place")], ...bays.map(({ id, name }) => [id, name])];
  return h(
    "form",
    { class: "fields", id: "reception", submit, novalidate: true },
    h("p", null, h("b", null, vehicle.registration || "–"), ` · ${vehicle.make} ${vehicle.model} · `, vehicle.vin),
    odometerField,
    to_job && notice("note", gettext("To go back to the set-points as found in an earlier job")),
    !to_job && choices({
      id: "reason",
      label: gettext("Why is it here?"),
      options: Object.entries(reasons()).filter(([reason]) => reason !== "reversion"),
      value: values.reason,
      changed: (reason) => void (values.reason = reason),
    }),
    bays.length > 0 &&
      choices({
        id: "bay",
        label: gettext("Where is it measured?"),
        options: /** @type {[string, string][]} */ (bayOptions),
        value: values.bay,
        changed: (bay) => void (values.bay = bay),
      }),
    field({ id: "note", label: gettext("What the customer says, what you see"), control: note, optional: true }),
  );
}
