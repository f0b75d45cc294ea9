/**
 * Help while a VIN is typed: form (ISO 3779) and check digit (49 CFR 565.15). The service decides; this only spares
 * people a walk.
 */

const LENGTH = 17;
const CHECK_PLACE = 8;
const WEIGHTS = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];
const DIGITS = "0123456789";
const VALUES = new Map([
  ...[...DIGITS].map((character) => /** @type {[string, number]} */ ([character, Number(character)])),
  ...[..."ABCDEFGH"].map((character, index) => /** @type {[string, number]} */ ([character, index + 1])),
  ...[..."JKLMN"].map((character, index) => /** @type {[string, number]} */ ([character, index + 1])),
  ...[..."STUVWXYZ"].map((character, index) => /** @type {[string, number]} */ ([character, index + 2])),
  /** @type {[string, number]} */ (["P", 7]),
  /** @type {[string, number]} */ (["R", 9]),
]);

/**
 * @typedef {{state: 'unfinished', left: number} | {state: 'right' | 'unchecked'} | {state: 'too_long', over: number}
 *   | {state: 'character', place: number, character: string} | {state: 'check_digit', found: string, expected: string}} VinHelp
 *   `unchecked`: well formed, and its check digit does not fit, as is lawful outside North America
 */

/** Capital letters, without the spaces and hyphens of reading aloud. @param {string} text */
export function normalised(text) {
  return text.replace(/[\s-]/g, "").toUpperCase();
}

/**
 * @param {string} vin normalised
 * @returns {VinHelp}
 */
export function vinHelp(vin) {
  const wrong = [...vin].findIndex((character) => !VALUES.has(character));
  if (wrong >= 0) return { state: "character", place: wrong + 1, character: vin[wrong] };
  if (vin.length > LENGTH) return { state: "too_long", over: vin.length - LENGTH };
  if (vin.length < LENGTH) return { state: "unfinished", left: LENGTH - vin.length };
  const expected = checkDigit(vin);
  if (vin[CHECK_PLACE] === expected) return { state: "right" };
  return "12345".includes(vin[0]) ? { state: "check_digit", found: vin[CHECK_PLACE], expected } : { state: "unchecked" };
}

/** @param {string} vin 17 characters of a VIN */
function checkDigit(vin) {
  const sum = WEIGHTS.reduce((total, weight, place) => total + weight * (VALUES.get(vin[place]) ?? 0), 0);
  return sum % 11 === 10 ? "X" : String(sum % 11);
}

/**
 * The VIN in what was scanned: the VIN itself, or an address of the bench that ends in it.
 * @param {string} scanned
 * @returns {string | null}
 */
export function vinIn(scanned) {
  const found = /(?:^|[^0-9A-Za-z])([0-9A-HJ-NPR-Za-hj-npr-z]{17})$/.exec(scanned.trim());
  return found ? normalised(found[1]) : null;
}
