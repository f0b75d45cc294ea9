/** The outbox at work: when it is told to send, what of it waits, and whether the service is there. */

import { aloneUnder } from "../offline/alone.js";
import { Network } from "../offline/network.js";
import { Outbox } from "../offline/outbox.js";
import { Sender } from "../offline/sender.js";
import { StorageRefused } from "../offline/storage_errors.js";
import { IndexedDbStore } from "../offline/store.js";
import { uuid7 } from "../offline/uuid7.js";
import { language } from "./texts.js";

/** @typedef {import("../offline/types.js").Answer} Answer */
/** @typedef {import("../offline/types.js").Courier} Courier */
/** @typedef {import("../offline/types.js").Draft} Draft */
/** @typedef {import("../offline/types.js").Entry} Entry */
/** @typedef {import("../offline/types.js").Event} OutboxEvent */
/** @typedef {import("../offline/types.js").Report} Report */
/** @typedef {import("../offline/sender.js").Told} Told */
/** @typedef {import("./context.js").Kept} Kept */
/** @typedef {import("./context.js").Kind} Kind */
/** @typedef {import("./context.js").Pending} Pending */
/** @typedef {import("./context.js").Settled} Settled */
/** @typedef {import("./context.js").Waiting} Waiting */

const SENT_LATELY_MS = 600_000;
/** A call of the service that the tablet may make whoever is at it. */
const ASK_PATH = "/api/v1/tablet/";

/** @type {Record<string, Kind>} by the last part of the address */
const KINDS = {
  jobs: "job",
  readiness: "readiness",
  rounds: "round",
  readings: "readings",
  strike: "strike",
  proposals: "proposal",
  writes: "write",
  photos: "photo",
  events: "event",
  checks: "height_check",
  fitments: "fitment",
  concession: "concession",
  pause: "pause",
  resumption: "resumption",
  end: "end",
  "leak-tests": "leak_test",
  reversion: "reversion",
  "sign-off": "sign_off",
};

/**
 * @param {string} path
 * @returns {Kind}
 */
export function kindOf(path) {
  return KINDS[path.split("/").at(-2) ?? ""] ?? "other";
}

export class Sending {
  /** @type {Report | null} */
  report = null;
  /** @type {Map<string, (settled: Settled) => void>} */
  #awaited = new Map();
  /** What was sent lately: it may not be in what was read. @type {{entry: Entry, at: number}[]} */
  #sent = [];
  /** @type {((value: unknown) => void)[]} */
  #awaitingPass = [];
  #isDestroyed = false;
  /** How many times something was to be written into the outbox, and how many of them are over. */
  #writes = { begun: 0, over: 0 };

  /**
   * @param {object} parts
   * @param {string} parts.workshop
   * @param {(person: string | null) => Promise<string | null>} parts.token
   * @param {(answer: Answer & {person: string | null}) => void} parts.answered told of every answer, and of none: to whom
   * @param {(event: OutboxEvent) => void} parts.happened
   * @param {(report: Report) => void} parts.passed
   * @param {(failure: any) => void} parts.failed the storage's
   * @param {() => void} parts.writes told when something is to be written into the outbox, and when that is over
   */
  constructor({ workshop, token, answered, happened, passed, failed, writes }) {
    const name = `levelbook outbox ${workshop}`;
    this.workshop = workshop;
    this.store = new IndexedDbStore(name, /** @type {IDBFactory} */ (this.#databases()));
    this.happened = happened;
    this.passed = passed;
    this.failed = failed;
    this.writes = writes;
    this.outbox = new Outbox({
      store: this.store,
      network: watched(new Network({ token, language: language(), askPath: ASK_PATH }), answered),
      clock: { now: Date.now, elapsed: () => performance.now() },
      newId: uuid7,
      alone: aloneUnder(name),
      heard: (event) => this.#heard(event),
    });
    this.sender = new Sender({ outbox: this.outbox, tell: (told) => this.#told(told) });
  }

  /**
   * Keep a record, and send it as soon as may be.
   * @param {Draft} draft
   * @returns {Promise<Kept>}
   */
  async keep(draft) {
    const id = await this.outbox.add(draft);
    const settled = new Promise((resolve) => this.#awaited.set(id, resolve));
    this.sender.wake();
    return { id, settled: /** @type {Promise<Settled>} */ (settled) };
  }

  /**
   * Write into the outbox: whatever the work does until it is over is about a record that is on no disk yet.
   * @template T
   * @param {() => Promise<T>} work
   */
  async writing(work) {
    this.#writes.begun += 1;
    this.writes();
    try {
      return await work();
    } finally {
      this.#writes.over += 1;
      this.writes();
    }
  }

  /** What is on this tablet only; `counted`: how many writes were over before it was read. */
  async pending() {
    const counted = this.#writes.over;
    return { ...(await this.outbox.pending()), counted };
  }

  /** Whether everything written here is in what was read. @param {Pending} pending */
  knows({ counted = -1 }) {
    return counted === this.#writes.begun ? "read" : "being_written";
  }

  /**
   * What of a vehicle is on this tablet only, in order; and what was sent since its job was read.
   * @param {string} vehicle
   * @param {number} read_at ms since 1970
   * @returns {Promise<Waiting[]>}
   */
  async waitingOf(vehicle, read_at) {
    const { records } = await this.store.read();
    this.#sent = this.#sent.filter(({ at }) => at > Date.now() - SENT_LATELY_MS);
    const sent = this.#sent.filter(({ entry, at }) => at > read_at && !records.some(({ id }) => id === entry.id));
    const own = [...sent.map(({ entry }) => entry), ...records].filter((entry) => entry.vehicle === vehicle);
    return Promise.all(
      own.map(async ({ id, path, state, noted_at, person, refusal }) => {
        const fields = (await this.store.content(id))?.fields ?? {};
        const known = /** @type {Waiting["state"]} */ (state);
        return { id, kind: kindOf(path), path, state: known, fields, noted_at, person, refusal };
      }),
    );
  }

  /** Whose records are on this tablet only. @returns {Promise<Set<string>>} */
  async vehicles() {
    return new Set((await this.store.read()).records.map(({ vehicle }) => vehicle));
  }

  /**
   * Which of these records are on this tablet's disk, sent or not.
   * @param {string[]} ids
   * @returns {Promise<Set<string>>}
   */
  held(ids) {
    return this.store.change("all", ({ records, sent }) => {
      const known = new Set([...records, ...sent].map(({ id }) => id));
      return { result: new Set(ids.filter((id) => known.has(id))) };
    });
  }

  /** Send what can be sent now. Resolves after a pass, which may have begun before. */
  run() {
    this.sender.wake();
    return new Promise((resolve) => this.#awaitingPass.push(resolve));
  }

  /** The service answers again, or somebody wants to see it tried. */
  hurry() {
    this.sender.online();
    return this.run();
  }

  /** Ask which server it is, and whether this tablet is still welcome. */
  async check() {
    try {
      if (await this.outbox.check(null)) this.sender.online();
    } catch (failure) {
      if (!this.#isDestroyed) this.failed(failure);
    }
  }

  /** The browser's, until everything is forgotten: what is still under way must not make the store anew. */
  #databases() {
    return {
      open: (/** @type {string} */ name, /** @type {number} */ version) => {
        if (this.#isDestroyed) throw new StorageRefused();
        return indexedDB.open(name, version);
      },
      deleteDatabase: (/** @type {string} */ name) => indexedDB.deleteDatabase(name),
    };
  }

  /** Forget everything: the tablet was revoked. */
  async destroy() {
    this.#isDestroyed = true;
    this.sender.stop();
    await this.store.destroy();
  }

  /** @param {Told} told */
  #told(told) {
    if (this.#isDestroyed) return;
    if ("failure" in told) this.failed(told.failure);
    else {
      this.report = told;
      this.passed(told);
    }
    for (const resolve of this.#awaitingPass.splice(0)) resolve(undefined);
  }

  /** @param {OutboxEvent} event */
  #heard(event) {
    if (event.kind === "sent") this.#sent.push({ entry: { ...event.entry, state: "sent" }, at: Date.now() });
    if (event.kind === "sent" || event.kind === "refused") {
      this.#awaited.get(event.entry.id)?.({ kind: event.kind, answer: event.answer });
      this.#awaited.delete(event.entry.id);
    }
    this.happened(event);
  }
}

/**
 * @param {Courier} courier
 * @param {(answer: Answer & {person: string | null}) => void} answered
 * @returns {Courier}
 */
function watched(courier, answered) {
  const told = (/** @type {string | null} */ person) => (/** @type {Answer} */ answer) => {
    answered({ ...answer, person });
    return answer;
  };
  return {
    send: (entry, content, epoch) => courier.send(entry, content, epoch).then(told(entry.person)),
    ask: (person) => courier.ask(person).then(told(person)),
  };
}
