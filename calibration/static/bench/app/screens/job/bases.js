/** Set-points as a tool shows them, decimal or hexadecimal; records hold plain integers. */

/** @typedef {'decimal' | 'hexadecimal'} Base */
/** @typedef {import("../../context.js").Job} Job */
/** @typedef {Pick<import("./index.js").JobContext, 'job' | 'drafts'>} Place */

const HEXADECIMAL = /^([+-]?)(?:0x)?([0-9a-f]{1,8})$/i;
const DECIMAL = /^[+-]?\d{1,10}$/;
const LEAST = -(2 ** 31);
const MOST = 2 ** 31 - 1;

/** Vehicles of one model are read with one tool. @param {Job} job */
function baseKey(job) {
  return `base:${job.specification?.vehicle_model ?? job.id}`;
}

/** @param {Place} place @returns {Base} */
export function baseOf({ job, drafts }) {
  return drafts.get(baseKey(job)) ?? "decimal";
}

/** @param {Place} place @param {Base} base */
export function setBase({ job, drafts }, base) {
  drafts.set(baseKey(job), base);
}

/**
 * What was typed as a set-point, a signed integer of 32 bits; null where it is none.
 *
 * A tool may show a negative set-point as two's complement, `FFF6` for −10. It is taken so where nothing else is
 * possible: with 8 digits, or where the control unit holds no such large number.
 * @param {string} text
 * @param {Base} base
 * @param {{setpoint_min: number, setpoint_max: number} | null} [range] of the control unit
 */
export function countIn(text, base, range = null) {
  const trimmed = text.trim().replace("−", "-");
  const number = base === "decimal" ? decimal(trimmed) : hexadecimal(trimmed, range);
  return number !== null && number >= LEAST && number <= MOST ? number : null;
}

/** @param {string} text */
function decimal(text) {
  return DECIMAL.test(text) ? Number(text) : null;
}

/** @param {string} text @param {{setpoint_min: number, setpoint_max: number} | null} range */
function hexadecimal(text, range) {
  const found = HEXADECIMAL.exec(text);
  if (!found) return null;
  const [, sign, digits] = found;
  const number = parseInt(digits, 16);
  if (sign === "-") return number === 0 ? 0 : -number;
  const bits = 4 * digits.length;
  const signed = number - 2 ** bits;
  const isOfWholeBytes = [8, 16, 32].includes(bits) && number >= 2 ** (bits - 1);
  const isMeant = bits === 32 || (range !== null && number > range.setpoint_max && signed >= range.setpoint_min);
  return isOfWholeBytes && isMeant ? signed : number;
}

/** As it is typed. @param {number} count @param {Base} base */
export function typedIn(count, base) {
  if (base === "decimal") return String(count);
  return `${count < 0 ? "-" : ""}${Math.abs(count).toString(16).toUpperCase()}`;
}

/**
 * As it is read: where the tool shows hexadecimal, both.
 * @param {number | null | undefined} count
 * @param {Base} base
 */
export function shownIn(count, base) {
  if (count === null || count === undefined) return "–";
  return base === "decimal" ? String(count) : `${count} (${typedIn(count, base)} hex)`;
}
