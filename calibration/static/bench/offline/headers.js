/** What is read from the headers of answers, and sent in requests. */

/** In answers: which server it is. In requests: which one the tablet knows; another refuses its records. */
export const EPOCH_HEADER = "Levelbook-Epoch";

/**
 * @param {string | null} text an HTTP date
 * @returns {number | null} ms since 1970
 */
export function time(text) {
  const at = text === null ? NaN : Date.parse(text);
  return Number.isNaN(at) ? null : at;
}
