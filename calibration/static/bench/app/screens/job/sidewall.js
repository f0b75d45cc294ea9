/**
 * What stands on a tyre's sidewall: size, load index, speed symbol. Read in upper or lower case, with or without spaces:
 * `235/65 R16C 115/113 R`, `255/60zr18 112v xl`, `31x10.50R15LT`. The service checks what is read here once more.
 */

import { gettext } from "../../texts.js";

/**
 * @typedef {object} Sidewall
 * @property {string} size without load index and speed symbol
 * @property {number | null} load_index of the tyre fitted singly; null where the text ends before it
 * @property {string | null} speed_symbol
 */

/** Rising; of ISO 4223-1. */
export const SPEED_SYMBOLS = ["J", "K", "L", "M", "N", "P", "Q", "R", "S", "T", "U", "H", "V", "W", "Y"];
const HIGHEST_LOAD_INDEX = 279;

const INCH = /^(\d{2}(?:\.\d{1,2})?) ?X ?(\d{1,2}(?:\.\d{1,2})?) ?([RDB-]) ?(\d{2}(?:\.5)?) ?(LT)?/;
const METRIC = /^(P|LT)? ?(\d{3}) ?\/ ?(\d{2}) ?(Z?[RDB-]) ?(\d{2}(?:\.5)?) ?(C)?/;
/** What a metric size is made of, in order; the first that is missing is named. @type {[RegExp, () => string][]} */
const PARTS = [
  [/^(P|LT)? ?\d{3}(?!\d)/, () => gettext("The width is missing: three figures at the beginning, such as 235.")],
  [/^(P|LT)? ?\d{3} ?\/ ?\d{2}(?!\d)/, () => gettext("Behind the width, a stroke and two figures are missing, such as /65.")],
  [/^(P|LT)? ?\d{3} ?\/ ?\d{2} ?Z?[RDB-]/, () => gettext("The letter before the rim diameter is missing, such as R.")],
  [METRIC, () => gettext("The rim diameter is missing: two figures behind the letter, such as 16.")],
];
const SERVICE = /^(\d{2,3})(?: ?\/ ?(\d{2,3}))? ?([A-Z]\d?)?$/;
/** Said besides, and of no weight here: plies, mud and snow, tubeless. */
const BESIDES = /\b(\d{1,2} ?PR|M ?[+&] ?S|TL|TUBELESS)\b/g;
const STRONGER = /(?:^|\s|(?<=[A-Z]))(XL|RF|EXTRA LOAD|REINFORCED)\b/;

/**
 * @param {string} text
 * @returns {Sidewall | {problem: string}} `problem`: which part of it is wrong
 */
export function sidewall(text) {
  const upper = text.toUpperCase().replaceAll("×", "X").replaceAll(",", ".").replace(/[()]/g, " ");
  const written = upper.replace(BESIDES, " ").replace(/\s+/g, " ").trim();
  if (!written) return { problem: gettext("The size is missing.") };
  const found = INCH.exec(written) ?? METRIC.exec(written);
  if (!found) return { problem: missingPart(written) };
  const behind = written.slice(found[0].length).trim();
  const isStronger = STRONGER.test(behind);
  return described(sizeOf(found) + (isStronger ? " XL" : ""), behind.replace(STRONGER, " ").trim());
}

/** @param {string} written */
function missingPart(written) {
  return PARTS.find(([part]) => !part.test(written))?.[1]() ?? gettext("The size is missing.");
}

/** @param {RegExpExecArray} found */
function sizeOf([whole, ...parts]) {
  if (whole.includes("X")) {
    const [diameter, width, construction, rim, suffix = ""] = parts;
    return `${diameter}x${width}${construction}${rim}${suffix}`;
  }
  const [prefix = "", width, aspect, construction, rim, commercial = ""] = parts;
  return `${prefix}${width}/${aspect}${construction}${rim}${commercial}`;
}

/** @param {string} size @param {string} behind @returns {Sidewall | {problem: string}} */
function described(size, behind) {
  if (!behind) return { size, load_index: null, speed_symbol: null };
  const found = SERVICE.exec(behind);
  if (!found) return { problem: gettext("“%(text)s” behind the size is no load index with a speed symbol, such as 115/113 R.", { text: behind }) };
  const [, single, dual, symbol] = found;
  const wrong = [single, dual].find((each) => Number(each ?? 0) > HIGHEST_LOAD_INDEX);
  if (wrong) return { problem: gettext("“%(text)s” is no load index; they end at %(last)s.", { text: wrong, last: HIGHEST_LOAD_INDEX }) };
  if (!symbol) return { problem: gettext("The speed symbol is missing: the letter behind load index %(index)s.", { index: single }) };
  if (!SPEED_SYMBOLS.includes(symbol)) {
    return { problem: gettext("“%(text)s” is no speed symbol; they are %(symbols)s.", { text: symbol, symbols: SPEED_SYMBOLS.join(", ") }) };
  }
  return { size, load_index: Number(single), speed_symbol: symbol };
}
