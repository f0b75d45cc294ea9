/**
 * What screens read: asked of the service, and kept for when the network is away. What is not of today is cleared away:
 * a tablet that is lost holds no more than the day's work.
 */

import { withOffset } from "./time.js";

const CLOSED = new Set(["signed_off", "ended", "reverted"]);
const MOST_KEPT_AHEAD = 30;
const NOT_FOUND = 404;

/** @typedef {import("./context.js").Reads} ReadsOfContext */
/** @typedef {import("./context.js").Job} Job */
/** @typedef {import("./context.js").JobSummary} JobSummary */

/** @typedef {{day: string | null, at: number, epoch: string | null, body: any}} Read */

/** @implements {ReadsOfContext} */
export class Reads {
  /** Paths under which the service has nothing. @type {Set<string>} */
  #unknown = new Set();
  #turns = 0;
  /** Which question the kept answer is to, by path. @type {Map<string, number>} */
  #answered = new Map();
  /** Of which day there was an answer last; null before anything was cleared away. @type {string | null} */
  #day = null;
  /** Keys of drafts that hold the ids of jobs in which something goes on. @type {() => string[]} */
  #goingOn = () => [];

  /**
   * @param {import("./cupboard.js").Cupboard} cupboard
   * @param {import("./service.js").Service} service
   * @param {() => string | null} token of the person at the tablet
   * @param {() => Promise<import("./context.js").Person[]>} people who may work at tablets
   */
  constructor(cupboard, service, token, people) {
    this.people = people;
    this.cupboard = cupboard;
    this.service = service;
    this.token = token;
  }

  /**
   * Of which vehicle there are records here.
   * @param {{id: string, vin: string, registration: string | null}} vehicle
   */
  async remember({ id, vin, registration }) {
    await this.cupboard.set(`held:${id}`, { vin, registration });
  }

  /**
   * @param {string} id
   * @returns {Promise<{vin: string, registration: string | null} | null>}
   */
  held(id) {
    return this.cupboard.get(`held:${id}`);
  }

  /**
   * Forget vehicles whose records are all sent.
   * @param {Set<string>} vehicles that still have any
   */
  async forgetAllBut(vehicles) {
    for (const [key] of await this.cupboard.all("held:")) {
      if (!vehicles.has(key.slice("held:".length))) await this.cupboard.remove(key);
    }
  }

  /**
   * Clear away what is not of today, but for jobs in which something goes on: a night shift's, a leak test's.
   * @param {() => string[]} [goingOn] keys of drafts that hold the ids of such jobs
   */
  async sweep(goingOn = () => []) {
    this.#goingOn = goingOn;
    this.#day = today();
    this.cupboard.letGo("read:");
    await this.#clearAllBut(this.#day);
  }

  /** The same in an app that stays open for days. A night shift goes on with what is of yesterday, perhaps without network. */
  async #newDay() {
    const yesterday = new Date();
    yesterday.setDate(yesterday.getDate() - 1);
    this.#day = today();
    await this.#clearAllBut(this.#day, dayOf(yesterday));
  }

  /** @param {(string | null)[]} kept days */
  async #clearAllBut(...kept) {
    for (const [key, { day }] of await this.cupboard.all("read:")) {
      if (!kept.includes(day) && !this.#goingOn().some((each) => isOfJob(key, each))) await this.cupboard.remove(key);
    }
  }

  /**
   * A job as last read, when it was asked for, ms since 1970, and the epoch of the server that told it.
   * @param {string} id
   * @returns {Promise<{at: number, epoch: string | null, body: Job} | null>}
   */
  async job(id) {
    return (await this.#found(`/api/v1/jobs/${id}/`)) ?? null;
  }

  /** @param {string} id */
  async refresh(id) {
    return this.#asked(`/api/v1/jobs/${id}/`);
  }

  /**
   * Newest first; only where the service answers.
   * @param {string} vin
   * @returns {Promise<JobSummary[] | null>}
   */
  async jobsOf(vin) {
    return (await this.#answer(`/api/v1/jobs/?vehicle=${encodeURIComponent(vin)}&page_size=20`))?.results ?? null;
  }

  /** @param {string} vin */
  async vehicle(vin) {
    return this.#askedElseKept(vehiclePath(vin));
  }

  /** Whether the service said that the workshop has no such vehicle, when it was asked last. @param {string} vin */
  isUnknownVehicle(vin) {
    return this.#unknown.has(vehiclePath(vin));
  }

  /** @returns {Promise<JobSummary[]>} */
  async today() {
    const page = await this.#askedElseKept("/api/v1/jobs/?page_size=100");
    /** @type {JobSummary[]} */
    const jobs = page?.results ?? [];
    return jobs.filter((job) => !CLOSED.has(job.state) || dayOf(job.closed_at) === today());
  }

  /**
   * Read what will be wanted where there is no network: the open jobs of today's list, and the instruments.
   * @param {JobSummary[]} jobs
   */
  async keepAhead(jobs) {
    const open = jobs.filter((job) => !CLOSED.has(job.state) && job.state !== "paused").slice(0, MOST_KEPT_AHEAD);
    await this.instruments();
    for (const { id } of open) {
      if (!(await this.job(id)) && !(await this.refresh(id))) return;
    }
  }

  /** @param {string} text */
  async find(text) {
    const page = await this.#answer(`/api/v1/vehicles/?page_size=20&q=${encodeURIComponent(text)}`);
    return page?.results ?? null;
  }

  /**
   * The open job of a vehicle, if any; as far as this tablet knows where the service does not answer.
   * @param {string} vin
   * @returns {Promise<JobSummary | null>}
   */
  async openJob(vin) {
    const jobs = (await this.jobsOf(vin)) ?? (await this.today()).filter((/** @type {JobSummary} */ job) => job.vehicle.vin === vin);
    return jobs.find((/** @type {JobSummary} */ job) => !CLOSED.has(job.state)) ?? null;
  }

  async instruments() {
    const page = await this.#askedElseKept("/api/v1/instruments/?page_size=200");
    return (page?.results ?? []).filter((/** @type {{is_withdrawn: boolean}} */ each) => !each.is_withdrawn);
  }

  /**
   * The revision in force: of those effective by now, the one that took effect last.
   * @param {string} model
   */
  async specification(model) {
    const page = await this.#askedElseKept(`/api/v1/vehicle-models/${model}/specifications/?page_size=200`);
    /** @type {{effective_from: string, revision: number}[]} */
    const revisions = page?.results ?? [];
    const today = withOffset().slice(0, "2026-05-04".length); // a tablet is where its workshop is
    return revisions
      .filter(({ effective_from }) => effective_from <= today)
      .sort((a, b) => (a.effective_from < b.effective_from ? 1 : a.effective_from > b.effective_from ? -1 : b.revision - a.revision))[0] ?? null;
  }

  async bays() {
    return (await this.#askedElseKept("/api/v1/bays/?page_size=200"))?.results ?? [];
  }

  /** @param {string} job */
  async certificate(job) {
    const page = await this.#answer(`/api/v1/certificates/?job=${job}`);
    return page?.results[0] ?? null;
  }

  /** @param {string} number of a certificate */
  document(number) {
    return this.service.file(`/api/v1/certificates/${encodeURIComponent(number)}/pdf/`, this.token(), "application/pdf");
  }

  /** What the service knows no longer is not shown as kept. @param {string} path */
  async #askedElseKept(path) {
    return (await this.#asked(path)) ?? (this.#unknown.has(path) ? null : this.#kept(path));
  }

  /** @param {string} path */
  async #asked(path) {
    const at = Date.now(); // What was sent meanwhile may not be in the answer.
    const turn = (this.#turns += 1);
    const { body, epoch, status } = await this.#reply(path);
    if (status === NOT_FOUND) this.#unknown.add(path);
    else if (status) this.#unknown.delete(path);
    if (body && turn >= (this.#answered.get(path) ?? 0)) { // Of answers that cross, that of the last question is kept.
      this.#answered.set(path, turn);
      if (this.#day !== null && this.#day !== today()) await this.#newDay();
      await this.cupboard.hold(`read:${path}`, /** @type {Read} */ ({ day: today(), at, epoch, body }));
    }
    return body;
  }

  /** @param {string} path */
  async #found(path) {
    return this.cupboard.get(`read:${path}`);
  }

  /** @param {string} path */
  async #kept(path) {
    return (await this.#found(path))?.body ?? null;
  }

  /** @param {string} path */
  async #answer(path) {
    return (await this.#reply(path)).body;
  }

  /** @param {string} path */
  #reply(path) {
    return this.service.get(path, this.token());
  }
}

/** @param {string} vin */
function vehiclePath(vin) {
  return `/api/v1/vehicles/${encodeURIComponent(vin)}/`;
}

/** The job itself, or the instruments that it is measured with. @param {string} read @param {string} draft */
function isOfJob(read, draft) {
  const job = draft.slice(draft.indexOf(":") + 1);
  return read === `read:/api/v1/jobs/${job}/` || read.startsWith("read:/api/v1/instruments/");
}

function today() {
  return dayOf(new Date());
}

/** @param {string | Date | null} at */
function dayOf(at) {
  if (at === null) return null;
  const day = new Date(at);
  return `${day.getFullYear()}-${day.getMonth() + 1}-${day.getDate()}`;
}
