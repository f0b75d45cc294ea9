/** Times as the interface wants them and as people read them. */

import { language } from "./texts.js";

const H23 = /** @type {const} */ ({ hourCycle: "h23" });

/**
 * RFC 3339 with this tablet's offset.
 * @param {Date} [at]
 */
export function withOffset(at = new Date()) {
  const minutes = -at.getTimezoneOffset();
  const local = new Date(at.getTime() + minutes * 60_000).toISOString().slice(0, -1);
  const [sign, ahead] = minutes < 0 ? ["-", -minutes] : ["+", minutes];
  return `${local}${sign}${padded(Math.floor(ahead / 60))}:${padded(ahead % 60)}`;
}

/** @param {number | string | Date} at */
export function clockTime(at) {
  return new Intl.DateTimeFormat(language(), { ...H23, hour: "2-digit", minute: "2-digit" }).format(new Date(at));
}

/** In the form that pages and paper have (`fleet/formats`). @param {number | string | Date} at */
export function dayAndTime(at) {
  return `${dayOf(new Date(at))}, ${clockTime(at)}`;
}

/** The usual form of a language; English has two, of which ours names the day first. @param {Date} at */
function dayOf(at) {
  const part = (/** @type {Intl.DateTimeFormatOptions} */ form) => new Intl.DateTimeFormat(language(), form).format(at);
  if (language() !== "en") return part({ dateStyle: "medium" });
  return `${part({ day: "numeric" })} ${part({ month: "short" })} ${part({ year: "numeric" })}`;
}

/** @param {number} number */
function padded(number) {
  return String(number).padStart(2, "0");
}
