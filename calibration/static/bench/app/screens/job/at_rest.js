/** How long the vehicle has stood at rest before it is measured, as far as this tablet was told. */

import { stepNow } from "./course.js";

/** @typedef {import("./index.js").JobContext} JobContext */

export const SECONDS_AT_REST = 120;

/** The key, among the drafts, of when it was back at its normal position. @param {{id: string}} job */
export function restKey(job) {
  return `settled:${job.id}`;
}

/** @param {number | null} since ms since 1970; null: the time at rest was not begun */
export function secondsSince(since) {
  return since === null ? 0 : Math.max(0, Math.floor((Date.now() - since) / 1000));
}

/**
 * After how many seconds whoever measures now cuts the wait short; null where nobody does, or nothing is to settle.
 * @param {JobContext} context
 * @returns {number | null}
 */
export function cutShortAfterS({ job, waiting, drafts }) {
  if (stepNow(job, waiting) !== "settle_and_measure") return null;
  const seconds = secondsSince(drafts.get(restKey(job)));
  return seconds < SECONDS_AT_REST ? seconds : null;
}
