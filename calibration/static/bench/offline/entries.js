/** How a record begins, and how it begins again; how a pass of sending begins. */

/** @typedef {import("./types.js").Draft} Draft */
/** @typedef {import("./types.js").Entry} Entry */
/** @typedef {import("./types.js").NewRecord} NewRecord */

const SECRETS = new Set(["pin", "password", "token"]);
const UNSENT = { sent_at: null, refusal: null };

/**
 * @param {Draft} draft
 * @param {'waiting' | 'to_sign'} state
 * @param {string} id
 * @param {number} noted_at
 * @returns {NewRecord}
 */
export function newRecord({ vehicle, path, fields, file = null, person = null }, state, id, noted_at) {
  requireNoSecret(fields);
  const is_signature = state === "to_sign";
  const entry = { id, vehicle, person, method: POST, path, noted_at, is_signature, state, ...UNSENT };
  return { entry, content: { fields: { ...fields, id }, file } };
}

/**
 * What to add: nothing where it was kept before under the same id.
 * @param {NewRecord} record
 * @param {import("./types.js").View} seen
 */
export function unlessThere(record, { records, sent }) {
  return [...records, ...sent].some(({ id }) => id === record.entry.id) ? [] : [record];
}

const POST = /** @type {const} */ ("POST");

/**
 * The server lost it. A signature needs its PIN again.
 * @param {Entry} entry
 * @returns {Entry}
 */
export function toSendAgain(entry) {
  return { ...entry, ...UNSENT, state: entry.is_signature ? "to_sign" : "waiting" };
}

/** @param {unknown} value */
function requireNoSecret(value) {
  if (typeof value !== "object" || value === null) return;
  for (const [name, member] of Object.entries(value)) {
    if (SECRETS.has(name)) throw new TypeError(`'${name}' is a secret; it is handed over when the record is sent`);
    requireNoSecret(member);
  }
}

/**
 * Of a pass that has done nothing yet.
 * @returns {import("./types.js").Report}
 */
export function emptyReport() {
  return {
    ran: false,
    restored: false,
    sign_in: new Set(),
    revoked: false,
    storage_full: false,
    again_in_ms: null,
  };
}
