/**
 * The service as screens ask it: reads, and the few calls that are no records (enrolment, PIN, one's own units). Records
 * go through the outbox.
 */

import { EPOCH_HEADER, time } from "../offline/headers.js";
import { language } from "./texts.js";

const PATIENCE_MS = 12_000;

/**
 * @typedef {import("../offline/types.js").Problem} Problem
 * @typedef {{status: number, epoch: string | null, at: number | null, body: any, problem: Problem | null}} Reply `status` 0: no
 *   answer; `at`: the service's time, ms since 1970
 */

/** @type {Reply} */
const SILENCE = { status: 0, epoch: null, at: null, body: null, problem: null };

export class Service {
  /**
   * @param {(reply: Reply) => void} heard told of every answer, and of none
   */
  constructor(heard) {
    this.heard = heard;
  }

  /**
   * @param {string} path
   * @param {string | null} token
   */
  get(path, token) {
    return this.#call("GET", path, token);
  }

  /**
   * A file, which is no JSON.
   * @param {string} path
   * @param {string | null} token
   * @param {string} type of its content
   * @returns {Promise<Blob | null>} null without answer, or where the service gives none
   */
  async file(path, token, type) {
    const asked = options("GET", token);
    const response = await fetch(path, { ...asked, headers: { ...asked.headers, Accept: type } }).catch(() => null);
    const isIt = response?.ok && response.headers.get("Content-Type")?.split(";")[0].trim().toLowerCase() === type;
    return isIt ? response.blob().catch(() => null) : null;
  }

  /**
   * @param {'POST' | 'PUT'} method
   * @param {string} path
   * @param {string | null} token
   * @param {Record<string, unknown>} body
   */
  send(method, path, token, body) {
    return this.#call(method, path, token, JSON.stringify(body));
  }

  /**
   * @param {string} method
   * @param {string} path
   * @param {string | null} token
   * @param {string} [body]
   * @returns {Promise<Reply>}
   */
  async #call(method, path, token, body) {
    const reply = await fetch(path, options(method, token, body)).then(read).catch(() => SILENCE);
    this.heard(reply);
    return reply;
  }
}

/**
 * @param {string} method
 * @param {string | null} token
 * @param {string | undefined} body
 * @returns {RequestInit}
 */
function options(method, token, body) {
  const headers = {
    Accept: "application/json",
    "Accept-Language": language(), // The app may speak another one than the browser.
    "Device-Time": new Date().toISOString(),
    ...(token && { Authorization: `Bearer ${token}` }),
    ...(body && { "Content-Type": "application/json" }),
  };
  const signal = AbortSignal.timeout(PATIENCE_MS);
  return { method, headers, body, signal, cache: "no-store", credentials: "omit", redirect: "error" };
}

/**
 * @param {Response} response
 * @returns {Promise<Reply>}
 */
async function read(response) {
  const { status, ok, headers } = response;
  const epoch = headers.get(EPOCH_HEADER);
  const at = time(headers.get("Date"));
  const type = headers.get("Content-Type")?.split(";")[0].trim().toLowerCase();
  if (type === "application/problem+json") {
    return { status, epoch, at, body: null, problem: await response.json() };
  }
  // Somebody else's page, such as the sign-in of the building's wireless, is no answer of the service.
  if (ok && type !== "application/json") return SILENCE;
  return { status, epoch, at, body: ok ? await response.json() : null, problem: null };
}
