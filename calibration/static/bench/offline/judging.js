/** What an answer means for the record that was sent. */

/** @typedef {import("./types.js").Answer} Answer */

/** What a receipt says besides its epoch. @type {Answer} */
export const RECEIPT = { status: 200, epoch: null, at: null, retry_after_s: null, problem: null, body: null };
const TEMPORARY = new Set([408, 425, 429]);
/** Refusals of the person, whatever the record. */
const FIRST_SIGN_IN = new Set(["second_factor_required"]);

/**
 * Only the service itself gives receipts and refusals: a receipt carries its epoch, a refusal is a problem of
 * RFC 9457. A sign-in page of the building's wireless has neither. 413 may also come from whatever stands before the
 * service.
 * @param {Answer} answer
 * @returns {'receipt' | 'refused' | 'sign_in' | 'restored' | 'later'}
 */
export function judge({ status, epoch, problem }) {
  if (status >= 200 && status < 300) return epoch ? "receipt" : "later";
  if (problem?.type === "epoch_changed") return "restored";
  if (problem && (status === 401 || FIRST_SIGN_IN.has(problem.type))) return "sign_in";
  return isFinal(status) && (problem || status === 413) ? "refused" : "later";
}

/** @param {number} status */
function isFinal(status) {
  return status >= 400 && status < 500 && status !== 401 && !TEMPORARY.has(status);
}

/**
 * Whether nothing but the PIN was wrong: the intent to sign stays.
 * @param {Answer} answer
 */
export function onlyPinWrong({ status, problem }) {
  const errors = problem?.errors ?? [];
  return status === 422 && errors.length > 0 && errors.every((error) => error.pointer === "/pin");
}
