/**
 * The service's sentences as this person reads lengths. The service writes them in millimetres; what people typed stands
 * in other members of a document and stays as it is.
 */

/** @typedef {import("./context.js").Units} Units */

const FIGURE = String.raw`[-\u2212]?\d+(?:[.,]\d+)?`;
/** `2.3 mm`, `2.3 ± 1.9 mm`, and the two lengths of `from 2.3 to −0.4 mm` */
const LENGTHS = new RegExp(String.raw`(?<![\p{L}\d.,])(?:(${FIGURE})( ± | \p{L}+ ))?(${FIGURE}) mm\b`, "gu");

/**
 * A document of the service with its lengths in inches, where this person reads inches.
 * @template T
 * @param {T} document
 * @param {Units} units
 * @returns {T}
 */
export function readIn(document, units) {
  return units.length === "inch" ? partIn(document, units) : document;
}

/** @param {any} part @param {Units} units @returns {any} */
function partIn(part, units) {
  if (Array.isArray(part)) return part.map((each) => partIn(each, units));
  if (part === null || typeof part !== "object") return part;
  const members = Object.entries(part).map(([name, value]) => [
    name,
    typeof value === "string" && isSentence(name, part) ? lengthsIn(value, units) : partIn(value, units),
  ]);
  return Object.fromEntries(members);
}

/** Beside a code the service says what it means. @param {string} name @param {object} part */
function isSentence(name, part) {
  return name === "detail" || (name === "reason" && "reason_code" in part) || (name === "text" && "code" in part);
}

/** @param {string} text @param {Units} units */
function lengthsIn(text, units) {
  const shown = (/** @type {string} */ figure) => units.show(figure.replace(",", ".").replace("\u2212", "-"));
  return text.replace(
    LENGTHS,
    (_whole, first, between, second) => `${first ? shown(first) + between : ""}${shown(second)} ${units.sign}`,
  );
}
