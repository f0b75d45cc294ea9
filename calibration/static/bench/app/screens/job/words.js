/** The job's codes in the trade's words. */

import { cornerName } from "../../parts.js";
import { gettext, language } from "../../texts.js";

/** @typedef {import("../../context.js").Corner} Corner */

/** @type {readonly Corner[]} as they are written down */
export const CORNERS = ["FL", "FR", "RL", "RR"];

/** @param {readonly string[]} corners */
export function cornerNames(corners) {
  return new Intl.ListFormat(language()).format(
    corners.map((each) => cornerName(/** @type {Corner} */ (each))),
  );
}

/** @param {string} axle */
export function axleName(axle) {
  return axle === "front" ? gettext("Front, left minus right") : gettext("Rear, left minus right");
}

/** @param {string | null} verdict */
export function verdictWord(verdict) {
  switch (verdict) {
    case "within":
      return gettext("within");
    case "outside":
      return gettext("outside");
    case "undecided":
      return gettext("undecided");
    default:
      return gettext("not judged");
  }
}

/**
 * What is checked before anything is measured, in the order of a walk: round the vehicle, into it, to the tool.
 * @param {string | null} condition that the specification names
 * @returns {[string, string, string][]} item, what must be so, how to see it
 */
export function readinessItems(condition) {
  const loaded = condition ? gettext("Specified: %(condition)s.", { condition }) : gettext("Nobody aboard.");
  return [
    ["floor", gettext("Level, firm floor"), gettext("All four wheels on the surveyed pads of the bay.")],
    ["secured", gettext("Secured against rolling"), gettext("Chocks at both sides of a wheel.")],
    ["tyre_pressures", gettext("Tyre pressures set"), gettext("Cold, as the vehicle's label says.")],
    ["leakage", gettext("No leak, no sagging corner"), gettext("Listen and look at each corner.")],
    ["steering_straight", gettext("Steering straight ahead"), ""],
    ["doors", gettext("Doors closed"), gettext("Bonnet and tailgate, too.")],
    ["measuring_condition", gettext("Loaded as it is to be measured"), loaded],
    ["power", gettext("Engine running or supply voltage held"), gettext("With the exhaust led outside.")],
    ["reservoir", gettext("Reservoir filled"), gettext("Wait until the pump has stopped.")],
    ["ride_position", gettext("Normal ride position"), gettext("Selected, and the vehicle has come to rest there.")],
    ["fault_memory", gettext("No stored faults"), gettext("Read the suspension control unit with your tool.")],
  ];
}

/** @returns {[string, string][]} */
export function readinessOutcomes() {
  return [
    ["pass", gettext("in order")],
    ["fail", gettext("not in order")],
    ["not_done", gettext("not checked")],
    ["not_applicable", gettext("does not apply")],
  ];
}

/** What can be mended or happen to a vehicle within a job. @returns {[string, string][]} */
export function eventKinds() {
  return [
    ["sensor_replaced", gettext("Height sensor replaced")],
    ["linkage_repaired", gettext("Linkage repaired")],
    ["spring_replaced", gettext("Spring replaced")],
    ["damper_replaced", gettext("Damper replaced")],
    ["leak_repaired", gettext("Leak repaired")],
    ["control_unit_replaced", gettext("Control unit replaced")],
    ["alignment", gettext("Wheel alignment")],
    ["collision", gettext("Collision")],
    ["other", gettext("Something else")],
  ];
}

/** Kinds that are about the whole vehicle and name no corner. */
export const WHOLE_VEHICLE = ["control_unit_replaced", "alignment", "collision", "other"];

/** @returns {[string, string][]} */
export function ridePositions() {
  return [
    ["normal", gettext("normal")],
    ["raised", gettext("raised")],
    ["lowered", gettext("lowered")],
    ["loading", gettext("loading")],
  ];
}

/** @param {string} code of a limit */
export function limitName(code) {
  /** @type {Record<string, string>} */
  const names = {
    setpoint_range: gettext("Range of the control unit"),
    band: gettext("Band"),
    step: gettext("Change in one write"),
    shift_review: gettext("Shift from the baseline, to be looked at"),
    shift_limit: gettext("Shift from the baseline, at most"),
    warp_change: gettext("Twist of the body"),
    not_significant: gettext("Deviation that a tape can tell"),
    away_from_target: gettext("Towards the target"),
    suspect_corner: gettext("Corner that did not respond"),
    found_in_doubt: gettext("Count to go back to"),
  };
  return names[code] ?? code;
}
