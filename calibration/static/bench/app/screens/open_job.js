/** Reception: why the vehicle is here, and its odometer. */

import { fill, h } from "../dom.js";
import { choices, field, notice } from "../parts.js";
import { hashOf } from "../router.js";
import { gettext, language } from "../texts.js";
import { dayAndTime } from "../time.js";
import { grouped, kilometres } from "../units.js";
import { normalised } from "../vin.js";
import { reasons } from "../words.js";

/** @typedef {import("../context.js").Context} Context */
/** @typedef {import("../context.js").Vehicle} Vehicle */
/** @typedef {import("../context.js").JobSummary} JobSummary */

const MOST_KM_A_DAY = 1000;
const DAY_MS = 86_400_000;

/**
 * @param {Context} context
 * @returns {import("../context.js").Screen}
 */
export function renderOpenJob(context) {
  const vin = normalised(context.route.rest[0] ?? "");
  const content = h("div", { class: "stack" }, h("p", { class: "soft" }, gettext("Reading the vehicle …")));
  const read = async () => {
    const { reads } = context;
    const [vehicle, bays, jobs] = await Promise.all([reads.vehicle(vin), reads.bays(), reads.jobsOf(vin)]);
    if (vehicle) fill(content, form(context, vehicle, bays, jobs?.[0] ?? null));
    else fill(content, reads.isUnknownVehicle(vin) ? unknown(vin) : notice("review", gettext("This vehicle is not on the tablet"), gettext("Connect it, then try again.")));
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
 * @param {JobSummary | null} last of the vehicle, where the service told
 */
function form(context, vehicle, bays, last) {
  const to_job = context.route.rest[1] ?? null;
  const values = { reason: to_job ? "reversion" : "routine", bay: bays.length === 1 ? bays[0].id : "" };
  const doubt = odometerDoubt(last);
  const odometer = h("input", { inputmode: "decimal", autocomplete: "off", required: true });
  const note = h("textarea", { maxlength: 2000 });
  const [odometerField, asked] = [h("div", null), h("div", { "aria-live": "assertive" })];
  const drawOdometer = (/** @type {string | undefined} */ error) =>
    fill(odometerField, field({ id: "odometer", label: gettext("Odometer"), control: odometer, unit: "km", figure: true, error }));
  drawOdometer(undefined);
  const submit = async (/** @type {Event} */ event) => {
    event.preventDefault();
    const odometer_km = kilometres(odometer.value);
    if (odometer_km === null) {
      drawOdometer(gettext("Kilometres as a number, such as 48210."));
      return odometer.focus();
    }
    drawOdometer(undefined);
    const question = doubt(odometer_km);
    fill(asked, question);
    if (question) return odometer.focus();
    const kept = await context.records.openJob(vehicle, {
      reason: values.reason,
      ...(to_job && { to_job }),
      odometer_km,
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
    asked,
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

/** @param {string} vin */
function unknown(vin) {
  const todo = gettext("Compare it with the vehicle. A new vehicle is added on the vehicles' page.");
  return notice("review", gettext("This workshop does not know the VIN %(vin)s", { vin }), h("p", null, todo));
}

/**
 * What is asked about an odometer once: one that is lower than at the vehicle's last job, or further on than a vehicle
 * gets since then.
 * @param {JobSummary | null} last
 * @returns {(odometer_km: number) => import("../context.js").Content}
 */
function odometerDoubt(last) {
  /** @type {number | null} */
  let asked = null;
  return (odometer_km) => {
    if (!last || asked === odometer_km) return null;
    const before = Number(last.odometer_km);
    const days = 1 + Math.max(0, (Date.now() - Date.parse(last.opened_at)) / DAY_MS);
    if (odometer_km >= before && odometer_km - before <= MOST_KM_A_DAY * days) return null;
    asked = odometer_km;
    const values = { now: grouped(odometer_km, language()), before: grouped(before, language()), on: dayAndTime(last.opened_at) };
    return notice(
      "review",
      odometer_km < before
        ? gettext("%(now)s km is less than the %(before)s km of %(on)s", values)
        : gettext("%(now)s km is far more than the %(before)s km of %(on)s", values),
      h("p", null, gettext("Look at the odometer again. If it is right, press “Open the job” once more.")),
    );
  };
}
