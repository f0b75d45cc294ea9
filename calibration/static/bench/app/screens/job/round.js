/** A round while it is being measured: which corner now, what was read, what is doubtful. Compared, never judged. */

import { CORNERS } from "./words.js";

/** @typedef {import("../../context.js").Corner} Corner */
/** @typedef {import("../../context.js").Job} Job */
/** @typedef {import("../../context.js").NewReading} NewReading */
/** @typedef {import("../../context.js").Person} Measurer */

/**
 * @typedef {object} RoundDraft
 * @property {string | null} round the round that further readings belong to; null: this is a round of its own
 * @property {{id: string, serial: string, length_mm: number | null}} instrument
 * @property {Measurer | null} reader who reads the tape, where it is not who types
 * @property {'corner' | 'walk'} order all readings at a corner in a row, or once round the vehicle after another
 * @property {Corner} corner where somebody is now
 * @property {Partial<Record<Corner, number>>} wanted how many readings at each corner
 * @property {NewReading[]} readings each names who took it, whoever records the round
 * @property {Record<string, {name: string, read_at: string}>} measurers by the id in `measured_by`: when they read last
 * @property {{corner: Corner, height_mm: number} | null} doubt a height beyond the gross limit, to be entered again
 * @property {Record<string, string>} setpoints as typed
 * @property {string} temperature as typed
 * @property {string} ride_position
 * @property {boolean | null} settled
 * @property {number | null} settling_cut_short_s after how long at rest it was begun, where that was too soon
 * @property {string | null} paper when it was measured, where it is copied from the paper worksheet
 * @property {string | null} read_at when the last reading was taken
 */

/** Once round the vehicle on foot. @type {readonly Corner[]} */
export const WALK = ["FL", "FR", "RR", "RL"];
export const READINGS_AT_A_CORNER = 2;
const MOST_READINGS = 20;

/**
 * @param {Pick<RoundDraft, 'instrument' | 'reader' | 'order'> & {paper?: string | null, settling_cut_short_s?: number | null}} how
 * @param {{round?: string | null, wanted?: Partial<Record<Corner, number>>}} [what] further readings of a round
 * @returns {RoundDraft}
 */
export function begun(how, { round = null, wanted } = {}) {
  const each = wanted ?? Object.fromEntries(CORNERS.map((corner) => [corner, READINGS_AT_A_CORNER]));
  const corner = WALK.find((one) => each[one]) ?? "FL";
  const open = { setpoints: {}, temperature: "", ride_position: "normal", settled: null, read_at: null };
  return { round, paper: null, settling_cut_short_s: null, ...how, corner, wanted: each, readings: [], measurers: {}, doubt: null, ...open };
}

/** @param {RoundDraft} draft @param {Corner} corner */
export function readingsAt(draft, corner) {
  return draft.readings.filter((each) => each.corner === corner);
}

/** @param {RoundDraft} draft @param {Corner} corner */
export function missingAt(draft, corner) {
  return Math.max(0, (draft.wanted[corner] ?? 0) - readingsAt(draft, corner).length);
}

/** @param {RoundDraft} draft */
export function isComplete(draft) {
  return draft.doubt === null && CORNERS.every((corner) => missingAt(draft, corner) === 0);
}

/**
 * What readings of a corner may spread over, by their number: the job's `repeat_limits_mm`. Of more than it names the
 * median counts, and no further one is asked for.
 * @typedef {Record<string, number>} RepeatLimits
 */

/**
 * By how much the readings at a corner of a round of its own spread, where that is more than so many may.
 * @param {RoundDraft} draft
 * @param {Corner} corner
 * @param {RepeatLimits} limits_mm
 * @returns {number | null} mm
 */
export function disagreementMm(draft, corner, limits_mm) {
  const heights = readingsAt(draft, corner).map((each) => Number(each.height_mm));
  const limit_mm = limits_mm[heights.length];
  if (draft.round !== null || limit_mm === undefined) return null;
  const spread = Math.round((Math.max(...heights) - Math.min(...heights)) * 100) / 100;
  return spread > limit_mm ? spread : null;
}

/**
 * How many readings a corner needs, as far as those taken tell. Further ones never bring a spread down: where it is too
 * much for three as well, the fourth is needed whatever the third says.
 * @param {RoundDraft} draft
 * @param {Corner} corner
 * @param {RepeatLimits} limits_mm
 */
function neededAt(draft, corner, limits_mm) {
  const taken = readingsAt(draft, corner).length;
  const spread = taken < READINGS_AT_A_CORNER ? null : disagreementMm(draft, corner, limits_mm);
  if (spread === null) return Math.max(READINGS_AT_A_CORNER, taken);
  let count = taken + 1;
  while (spread > limits_mm[count]) count += 1;
  return count;
}

/**
 * Whether a height is beyond the gross limit and was not entered twice.
 * @param {RoundDraft} draft
 * @param {number} height_mm
 * @param {{target_mm: number | null, gross_limit_mm: number}} limits
 */
export function isDoubtful(draft, height_mm, { target_mm, gross_limit_mm }) {
  if (target_mm === null || Math.abs(Number(height_mm) - target_mm) <= gross_limit_mm) return false;
  return !(draft.doubt?.corner === draft.corner && draft.doubt.height_mm === height_mm);
}

/**
 * The unit in which what was typed would be near the target.
 * @param {number} typed the number itself, whatever its unit
 * @param {'mm' | 'inch'} unit that was expected
 * @param {{target_mm: number | null, gross_limit_mm: number}} limits
 * @returns {'inch' | 'centimetre' | 'millimetre' | null}
 */
export function likelyUnit(typed, unit, { target_mm, gross_limit_mm }) {
  if (target_mm === null) return null;
  const fits = (/** @type {number} */ height_mm) => Math.abs(height_mm - target_mm) <= gross_limit_mm;
  if (unit === "inch") return fits(typed) ? "millimetre" : null;
  if (fits(25.4 * typed)) return "inch";
  return fits(10 * typed) ? "centimetre" : null;
}

/**
 * @param {RoundDraft} draft
 * @param {number} height_mm
 * @param {{target_mm: number | null, gross_limit_mm: number, repeat_limits_mm: RepeatLimits}} limits
 * @param {string} at time with offset
 * @param {Measurer} typist who reads as well, where nobody calls
 * @returns {RoundDraft}
 */
export function taken(draft, height_mm, limits, at, typist) {
  const { corner } = draft;
  if (isDoubtful(draft, height_mm, limits)) return { ...draft, doubt: { corner, height_mm } };
  const { id, name } = draft.reader ?? typist;
  /** @type {NewReading} */
  const reading = { corner, height_mm, measured_by: id };
  if (draft.doubt?.corner === corner && draft.doubt.height_mm === height_mm) reading.confirmed = true;
  const read_at = draft.paper ?? at;
  const measurers = { ...draft.measurers, [id]: { name, read_at } };
  const next = { ...draft, readings: [...draft.readings, reading], measurers, doubt: null, read_at };
  if (draft.paper) return { ...next, corner: nextCorner(next) }; // Nobody can read the tape once more.
  if (draft.round === null && missingAt(next, corner) === 0) {
    next.wanted = { ...next.wanted, [corner]: neededAt(next, corner, limits.repeat_limits_mm) };
  }
  return { ...next, corner: nextCorner(next) };
}

/**
 * The last reading here was mistyped: it is taken back, before it is any record.
 * @param {RoundDraft} draft
 * @param {RepeatLimits} limits_mm
 * @returns {RoundDraft}
 */
export function takenBack(draft, limits_mm) {
  if (draft.doubt) return { ...draft, doubt: null };
  const { corner } = draft;
  const at = draft.readings.map((each) => each.corner).lastIndexOf(corner);
  if (at < 0) return draft;
  const back = { ...draft, readings: draft.readings.filter((_, index) => index !== at) };
  if (draft.round !== null) return back;
  const left = readingsAt(back, corner).length;
  const most = Math.max(neededAt(back, corner, limits_mm), left + 1);
  return { ...back, wanted: { ...draft.wanted, [corner]: Math.min(draft.wanted[corner] ?? most, most) } };
}

/** One more reading here than was asked for. @param {RoundDraft} draft @param {Corner} corner @returns {RoundDraft} */
export function oneMore(draft, corner) {
  const count = Math.min(MOST_READINGS, readingsAt(draft, corner).length + missingAt(draft, corner) + 1);
  return { ...draft, corner, doubt: null, wanted: { ...draft.wanted, [corner]: count } };
}

/** Where to go on; the same corner where everything is read. @param {RoundDraft} draft @returns {Corner} */
export function nextCorner(draft) {
  const open = WALK.filter((corner) => missingAt(draft, corner) > 0);
  if (open.length === 0) return draft.corner;
  if (draft.order === "corner" && open.includes(draft.corner)) return draft.corner;
  const least = Math.min(...open.map((corner) => readingsAt(draft, corner).length));
  const here = WALK.indexOf(draft.corner);
  const onward = [...WALK.slice(here + 1), ...WALK.slice(0, here + 1)];
  const isNext = (/** @type {Corner} */ corner) =>
    open.includes(corner) && (draft.order === "corner" || readingsAt(draft, corner).length === least);
  return onward.find(isNext) ?? open[0];
}

/**
 * How many of the readings are whose, in the order in which they began.
 * @param {RoundDraft} draft
 * @returns {{id: string, name: string, read_at: string, count: number}[]}
 */
export function measurersOf({ readings, measurers }) {
  const of = (/** @type {string} */ id) => readings.filter((each) => each.measured_by === id).length;
  return Object.entries(measurers).map(([id, who]) => ({ id, ...who, count: of(id) })).filter(({ count }) => count > 0);
}

/**
 * The key of the draft among the drafts.
 * @param {Job} job
 */
export function draftKey(job) {
  return `round:${job.id}`;
}
