/** A day and a time in the past, as noted by hand. */

import { h } from "../../dom.js";
import { gettext } from "../../texts.js";
import { withOffset } from "../../time.js";
import { textField } from "./fields.js";

/**
 * A day, today at the latest; today where no other is given.
 * @param {{id: string, label: string, hint?: string, value?: string | undefined}} said
 * @returns {import("./fields.js").Field & {read: () => string | null, renew: () => void}} `read`: null where it is none,
 *   which is then said; `renew`: a screen that stands open over midnight goes on to the new day, unless another was chosen
 */
export function dayField({ id, label, hint, value }) {
  let proposed = value ?? dayOf(new Date());
  const field = textField({ id, label, hint, value: proposed, type: "date" });
  const renew = () => {
    const today = dayOf(new Date());
    if (value === undefined && field.input.value === proposed) field.input.value = proposed = today;
    field.input.setAttribute("max", today);
  };
  renew();
  field.input.addEventListener("focus", renew);
  const read = () => {
    const problem = dayProblem(field.input.value);
    field.fail(problem);
    if (problem) field.input.focus();
    return problem ? null : field.input.value;
  };
  return { ...field, read, renew };
}

/** @param {string} day */
function dayProblem(day) {
  if (!day) return gettext("The day is missing.");
  return day > dayOf(new Date()) ? gettext("That day is still to come.") : null;
}

/**
 * @param {object} said
 * @param {string} said.day label
 * @param {string} said.time label
 * @param {Date | null} [said.value] the day is today's where there is none
 * @param {() => void} [said.changed]
 */
export function momentFields({ day, time, value = null, changed = () => {} }) {
  const on = dayField({ id: "on", label: day, value: value ? dayOf(value) : undefined });
  const at = textField({ id: "at", label: time, type: "time", value: value ? timeOf(value) : "" });
  at.input.addEventListener("focus", on.renew);
  for (const { input } of [on, at]) input.addEventListener("input", changed);
  return {
    element: h("div", { class: "moment" }, on.element, at.element),
    /** RFC 3339 with offset; null while it is none. */
    typed: () => moment(on.input.value, at.input.value),
    /** The same; null also where it is still to come. What is wrong is then said. */
    read: () => {
      if (on.read() === null) return null;
      const found = moment(on.input.value, at.input.value);
      const problem = found ? momentProblem(found) : gettext("The time is missing.");
      at.fail(problem);
      if (problem) at.input.focus();
      return problem ? null : found;
    },
  };
}

/** @param {string} day @param {string} time */
function moment(day, time) {
  const at = new Date(`${day}T${time}`);
  return Number.isNaN(at.getTime()) ? null : withOffset(at);
}

/** @param {string} moment */
function momentProblem(moment) {
  return Date.parse(moment) > Date.now()
    ? gettext("That is still to come. Look at the time that was noted, and at the clock of this tablet.")
    : null;
}

/** @param {Date} at */
function dayOf(at) {
  return withOffset(at).slice(0, 10);
}

/** @param {Date} at */
function timeOf(at) {
  return withOffset(at).slice(11, 16);
}
