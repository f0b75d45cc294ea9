/** The way to the server: what is sent with each record, and what is read from each answer. */

import { EPOCH_HEADER, time } from "./headers.js";

/** @typedef {import("./types.js").Answer} Answer */
/** @typedef {import("./types.js").Content} Content */
/** @typedef {import("./types.js").Entry} Entry */

const DEVICE_TIME_HEADER = "Device-Time";
const THIS_TABLET = "/api/v1/tablet/";
const PATIENCE_MS = 30_000;
/** A photo over a poor wireless. */
const SLOWEST_BYTES_PER_MS = 20;

/** @type {Answer} */
const NONE = { status: 0, epoch: null, at: null, retry_after_s: null, problem: null, body: null };
/** @type {Answer} */
const SIGNED_OUT = { ...NONE, status: 401, problem: { type: "signed_out", status: 401 } };

export class Network {
  /**
   * @param {object} parts
   * @param {(person: string | null) => Promise<string | null>} parts.token
   *   the bearer token of whose records these are; null: they have to sign in first, and nothing is sent. Never rejects
   * @param {string} [parts.language] of what the service says to people; else the browser's
   * @param {string} [parts.askPath] a GET that these tokens may always make
   * @param {typeof globalThis.fetch} [parts.fetch]
   * @param {() => number} [parts.now]
   * @param {number} [parts.patienceMs]
   */
  constructor({ token, language, askPath = THIS_TABLET, fetch = globalThis.fetch, now = Date.now, patienceMs = PATIENCE_MS }) {
    this.token = token;
    this.language = language;
    this.askPath = askPath;
    this.fetch = fetch.bind(globalThis);
    this.now = now;
    this.patienceMs = patienceMs;
  }

  /**
   * @param {Entry} entry
   * @param {Content} content
   * @param {string | null} epoch the adopted one; a server of another refuses the record
   * @returns {Promise<Answer>}
   */
  send(entry, content, epoch) {
    const { body, type, size } = encoded(content);
    const headers = { ...(type && { "Content-Type": type }), ...(epoch && { [EPOCH_HEADER]: epoch }) };
    return this.#request(entry.path, entry.person, { method: entry.method, headers, body }, size);
  }

  /**
   * @param {string | null} person
   * @returns {Promise<Answer>}
   */
  ask(person) {
    return this.#request(this.askPath, person, { method: "GET", headers: {} }, 0);
  }

  /**
   * @param {string} path
   * @param {string | null} person
   * @param {{method: string, headers: Record<string, string>, body?: BodyInit}} request
   * @param {number} size
   */
  async #request(path, person, request, size) {
    const token = await this.token(person);
    if (token === null) return SIGNED_OUT;
    // No way there, none back, or it took too long: whether it arrived is not known.
    const response = await this.fetch(path, this.#options(token, request, size)).catch(() => null);
    return response ? read(response) : NONE;
  }

  /**
   * @param {string} token
   * @param {{method: string, headers: Record<string, string>, body?: BodyInit}} request
   * @param {number} size
   * @returns {RequestInit}
   */
  #options(token, request, size) {
    const own = { Accept: "application/json", Authorization: `Bearer ${token}` };
    const words = this.language ? { "Accept-Language": this.language } : {};
    const time = { [DEVICE_TIME_HEADER]: new Date(this.now()).toISOString() };
    return {
      ...request,
      headers: { ...request.headers, ...own, ...words, ...time },
      cache: "no-store",
      credentials: "omit",
      redirect: "error", // A redirected POST would become a GET, whose 200 is no receipt.
      signal: AbortSignal.timeout(this.patienceMs + Math.ceil(size / SLOWEST_BYTES_PER_MS)),
    };
  }
}

/**
 * @param {Content} content
 * @returns {{body: BodyInit, type: string | null, size: number}}
 */
function encoded({ fields, file }) {
  if (!file) {
    const body = JSON.stringify(fields);
    return { body, type: "application/json", size: body.length };
  }
  const body = new FormData();
  for (const [name, value] of Object.entries(fields)) body.append(name, String(value));
  body.append("file", new Blob([file.bytes], { type: file.type }), file.name);
  return { body, type: null, size: file.bytes.byteLength }; // The browser names type and boundary.
}

/**
 * @param {Response} response
 * @returns {Promise<Answer>}
 */
async function read(response) {
  const type = response.headers.get("Content-Type")?.split(";")[0].trim().toLowerCase();
  // The server commits before it answers: a receipt whose body breaks off is one.
  const body = await response.json().catch(() => null);
  return {
    status: response.status,
    epoch: response.headers.get(EPOCH_HEADER),
    at: time(response.headers.get("Date")),
    retry_after_s: seconds(response.headers.get("Retry-After"), response.headers.get("Date")),
    problem: type === "application/problem+json" ? body : null,
    body,
  };
}

/**
 * `Retry-After` is seconds or a date (RFC 9110, 10.2.3); a date counts from the server's own.
 * @param {string | null} text
 * @param {string | null} date
 */
function seconds(text, date) {
  if (text === null) return null;
  if (/^\d+$/.test(text.trim())) return Number(text);
  const [until, from] = [time(text), time(date)];
  return until === null || from === null ? null : Math.max(0, (until - from) / 1000);
}
