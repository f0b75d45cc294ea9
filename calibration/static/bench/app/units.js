/**
 * Heights as a person reads and types them. Records are in millimetres; 25.4 mm are one inch, exactly.
 *
 * All arithmetic is in whole units of 1/1000 mm, so that what is typed is what is kept.
 */

/** @typedef {import("./context.js").Units} Units */

const UM_PER_INCH = 25_400;
const KILOMETRES = /^\d{1,7}([.,]\d)?$/;
const NUMBER = /^(\d{1,5})(?:[.,](\d{1,4}))?$/;
/** `19 3/16`, `19-3/16` or `3/16` */
const FRACTION = /^(?:(\d{1,3})[\s-]+)?(\d{1,2})\/(2|4|8|16|32)$/;
export const MINUS = "\u2212";
/** Between thousands in every language, as on pages: a comma or a point is another language's decimal sign. */
const NARROW_SPACE = "\u202f";

/**
 * @param {'mm' | 'inch'} length
 * @param {string} [language] of the figures shown
 * @returns {Units}
 */
export function unitsOf(length, language) {
  const isInch = length === "inch";
  return {
    length,
    sign: isInch ? "in" : "mm",
    parse: (text) => parsed(text.trim(), isInch),
    show: (height_mm, { signed = false, decimals = isInch ? 2 : 1 } = {}) =>
      figure(Number(height_mm) / (isInch ? 25.4 : 1), decimals, { signed, language }),
  };
}

/**
 * @param {string} text
 * @param {boolean} isInch
 */
function parsed(text, isInch) {
  const um = isInch ? micrometresOfInches(text) : micrometres(text);
  return um === null ? null : hundredths(um);
}

/** @param {string} text */
function micrometres(text) {
  const found = NUMBER.exec(text);
  if (!found || (found[2] ?? "").length > 3) return null;
  return Number(found[1]) * 1000 + Number((found[2] ?? "").padEnd(3, "0"));
}

/** @param {string} text */
function micrometresOfInches(text) {
  const fraction = FRACTION.exec(text);
  if (fraction) {
    const [whole, over, under] = [fraction[1] ?? "0", fraction[2], fraction[3]].map(Number);
    return over < under ? Math.round(((whole * under + over) * UM_PER_INCH) / under) : null;
  }
  const found = NUMBER.exec(text);
  if (!found) return null;
  const tenThousandths = Number(found[1]) * 10_000 + Number((found[2] ?? "").padEnd(4, "0"));
  return Math.round((tenThousandths * UM_PER_INCH) / 10_000);
}

/**
 * Millimetres, to the hundredth that the interface keeps.
 * @param {number} um
 */
function hundredths(um) {
  return Math.round(um / 10) / 100;
}

/**
 * Rounded as on pages and the certificate: a half goes up, whatever the sign, so that a height less its target is the
 * deviation beside them; zero carries no sign.
 * @param {number} value
 * @param {number} decimals
 * @param {{signed?: boolean, language?: string}} [form]
 */
export function figure(value, decimals, { signed = false, language } = {}) {
  const scale = 10 ** decimals;
  const rounded = Math.round(Number((value * scale).toPrecision(12))) / scale;
  const form = { minimumFractionDigits: decimals, maximumFractionDigits: decimals, useGrouping: false };
  const written = new Intl.NumberFormat(language, form).format(Math.abs(rounded));
  if (rounded === 0) return written;
  return (rounded < 0 ? MINUS : signed ? "+" : "") + written;
}

/**
 * Kilometres as they are typed, or copied from where they are shown in groups of three digits; null where they are none.
 * @param {string} text
 */
export function kilometres(text) {
  const bare = text.replace(/\s/g, "");
  return KILOMETRES.test(bare) ? Number(bare.replace(",", ".")) : null;
}

/**
 * A large number, such as kilometres, in groups of three digits.
 * @param {number} value
 * @param {string} [language]
 */
export function grouped(value, language) {
  const parts = new Intl.NumberFormat(language, { useGrouping: true }).formatToParts(value);
  return parts.map((part) => (part.type === "group" ? NARROW_SPACE : part.value)).join("");
}
