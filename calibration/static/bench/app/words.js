/** Words for the codes that several screens show. */

import { gettext } from "./texts.js";

/** @param {string} reason */
export function reasonWords(reason) {
  return reasons()[reason] ?? reason;
}

/** Why a vehicle comes, in the order of the form. @returns {Record<string, string>} */
export function reasons() {
  return {
    routine: gettext("Routine check"),
    complaint: gettext("Complaint"),
    sensor_replaced: gettext("Height sensor replaced"),
    control_unit_replaced: gettext("Control unit replaced"),
    spring_replaced: gettext("Air spring replaced"),
    tyre_change: gettext("Other tyres"),
    collision_repair: gettext("Repair after a collision"),
    reversion: gettext("Back to earlier set-points"),
  };
}

/** @param {string} state */
export function stateWords(state) {
  /** @type {Record<string, string>} */
  const words = {
    open: gettext("open"),
    measuring: gettext("measuring"),
    adjusting: gettext("adjusting"),
    paused: gettext("paused"),
    signed_off: gettext("signed off"),
    ended: gettext("ended"),
    reverted: gettext("reverted"),
  };
  return words[state] ?? state;
}
