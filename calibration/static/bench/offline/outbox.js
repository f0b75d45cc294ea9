/**
 * The outbox: every record goes through it, online or not, and leaves it only on the server's receipt.
 *
 * - The id is made here, once, and stored with the content. The server carries an id out once, so sending again is
 *   always safe, and nothing that happens between two lines of this file can lose a record or make two of it.
 * - A receipt is a 2xx answer with the server's epoch, under the epoch that this tablet has adopted. What was sent
 *   is kept for 30 days; when the epoch changes (the server was restored from an older backup) all of it waits again,
 *   in its old place.
 * - Each request states the adopted epoch. A restored server refuses it (`epoch_changed`) before a newer record
 *   can overtake the older ones that it lost.
 * - A vehicle's records go one after the other, vehicles beside each other. What the server refuses for good goes to
 *   the tray, where only a person moves it, and the next one goes. A refusal counts only under the adopted epoch: a
 *   restored server knows no job that it lost.
 * - An intent to sign waits with the hash of what was shown and without PIN. It holds up nothing, goes only when a
 *   person signs and no record of its vehicle waits, and is dropped for good when the server refuses it.
 *
 * One outbox and one store per workshop: records never change hands when a tablet does. The steps are methods of
 * their own, so that the tests can put a fault into each.
 */

import { emptyReport, newRecord, toSendAgain, unlessThere } from "./entries.js";
import { RECEIPT, judge, onlyPinWrong } from "./judging.js";
import { Lanes } from "./lanes.js";
import { Patience } from "./patience.js";
import { countPending, follows, head, stillWants, trayOf, vehiclesToSend, vehiclesWaiting } from "./queue.js";
import { StorageFull } from "./storage_errors.js";

/** @typedef {import("./types.js").Answer} Answer */
/** @typedef {import("./types.js").Draft} Draft */
/** @typedef {import("./types.js").Entry} Entry */
/** @typedef {import("./types.js").Event} OutboxEvent */
/** @typedef {import("./types.js").Report} Report */
/** @typedef {import("./types.js").View} View */

/**
 * @typedef {'signed' | 'pin' | 'records_first' | 'sign_in' | 'later' | 'dropped' | 'gone'} Signing
 */

const DAY_MS = 86_400_000;
export const KEPT_DAYS = 30;
/** How soon to look whether the tab that sends is still there. */
const OTHER_TAB_MS = 5_000;

export class Outbox {
  /**
   * @param {object} parts
   * @param {import("./types.js").Store} parts.store
   * @param {import("./types.js").Courier} parts.network
   * @param {import("./types.js").Clock} parts.clock
   * @param {() => string} parts.newId
   * @param {(work: () => Promise<void>) => Promise<boolean>} parts.alone
   *   runs the work unless another tab is at it, and says whether it ran. It saves work; nothing rests on it.
   * @param {() => number} [parts.random]
   * @param {(event: OutboxEvent) => void} [parts.heard] told of what happened, once it is stored
   */
  constructor({ store, network, clock, newId, alone, random = Math.random, heard = () => {} }) {
    this.store = store;
    this.network = network;
    this.clock = clock;
    this.newId = newId;
    this.alone = alone;
    this.heard = heard;
    this.patience = new Patience(() => clock.elapsed(), random);
    /** @type {Lanes | null} of the pass that goes on, or of the last one */
    this.lanes = null;
  }

  // --- what people do ------------------------------------------------------------------------------------

  /**
   * Keep a record. When this resolves it is on disk; when it rejects nothing is, and the caller still has it. What has
   * an id that is here already was kept by another tab, or before this one was killed: it is not kept once more.
   * @param {Draft} draft
   * @returns {Promise<string>} its id
   */
  add(draft) {
    return this.keep(draft, "waiting");
  }

  /**
   * Keep an intent to sign: `fields` hold the hash of what was shown, never the PIN.
   * @param {Draft} draft
   * @returns {Promise<string>} its id
   */
  intend(draft) {
    return this.keep(draft, "to_sign");
  }

  /**
   * Send an intent, with the PIN just typed. The PIN is stored nowhere.
   * @param {string} id
   * @param {{pin: string}} secret
   * @returns {Promise<{outcome: Signing, answer: Answer | null}>}
   */
  async sign(id, secret) {
    const seen = await this.store.read();
    const intent = seen.records.find((entry) => entry.id === id && entry.state === "to_sign");
    const content = intent ? await this.store.content(id) : null;
    if (!intent || !content) return { outcome: "gone", answer: null };
    if (head(seen.records, intent.vehicle)) return { outcome: "records_first", answer: null };
    const signed = { ...content, fields: { ...content.fields, ...secret } };
    const answer = await this.network.send(intent, signed, seen.meta.epoch);
    return { outcome: await this.concludeSignature(intent, answer, seen), answer };
  }

  /**
   * The server tells that it has a signature. Where its receipt was lost on the way, nobody would sign again.
   * @param {string} id
   * @param {string} epoch of the server
   * @returns {Promise<boolean>} whether it was still to be signed
   */
  async recognise(id, epoch) {
    const intent = (await this.intents()).find((entry) => entry.id === id);
    return intent ? this.settle(intent, { ...RECEIPT, epoch }) : false;
  }

  /**
   * Send a refused record again, with those that were refused for want of it.
   * @param {string} id
   */
  retry(id) {
    return this.store.change("open", ({ records }) => {
      const chosen = records.find((entry) => entry.id === id && entry.state === "refused");
      if (!chosen) return { result: false };
      const again = records.filter((entry) => entry === chosen || follows(entry, chosen));
      return { put: again.map((entry) => ({ ...entry, state: "waiting", refusal: null })), result: true };
    });
  }

  /**
   * Throw away what is in the tray, or an intent to sign. Never anything that is on its way.
   * @param {string} id
   */
  discard(id) {
    return this.store.change("open", ({ records }) => {
      const chosen = records.find((entry) => entry.id === id && entry.state !== "waiting");
      return chosen ? { remove: [chosen], result: true } : { result: false };
    });
  }

  async pending() {
    return countPending((await this.store.read()).records);
  }

  async tray() {
    return trayOf((await this.store.read()).records);
  }

  async intents() {
    return (await this.store.read()).records.filter((entry) => entry.state === "to_sign");
  }

  // --- sending -------------------------------------------------------------------------------------------

  /**
   * Send what can be sent now. Call it when a record was added, when the network comes back and after `again_in_ms`.
   * @returns {Promise<Report>}
   */
  async deliver() {
    const report = emptyReport();
    report.ran = await this.alone(() => this.pass(report));
    report.again_in_ms = await this.againInMs(report);
    return report;
  }

  /**
   * Ask which epoch holds. For when nothing is to be sent: at the start and from time to time, since a restored
   * server may have lost what this tablet alone still has.
   * @param {string | null} person
   * @returns {Promise<boolean>} whether the server is another than before, and what was sent waits again
   */
  async check(person = null) {
    const { epoch } = await this.network.ask(person);
    return epoch ? this.adopt(epoch) : false;
  }

  /** @param {Report} report */
  async pass(report) {
    const { records } = await this.store.read();
    this.lanes = new Lanes((vehicle) => this.drive(vehicle, report), vehiclesWaiting(records));
    await this.lanes.end();
  }

  /**
   * Send one vehicle's records, each after the receipt of the one before.
   * @param {string} vehicle
   * @param {Report} report
   */
  async drive(vehicle, report) {
    while (!report.restored && this.patience.isDue(vehicle)) {
      const seen = await this.store.read();
      const entry = head(seen.records, vehicle);
      if (!entry || report.sign_in.has(entry.person)) return;
      const goesOn = await this.offer(entry, seen, report).catch((error) => this.full(error, vehicle, report));
      if (!goesOn) return;
    }
  }

  /**
   * @param {Entry} entry
   * @param {View} seen
   * @param {Report} report
   * @returns {Promise<boolean>} whether the vehicle's next record may go
   */
  async offer(entry, seen, report) {
    const content = await this.store.content(entry.id);
    if (!content) return true; // Another tab moved it since.
    const answer = await this.network.send(entry, content, seen.meta.epoch);
    switch (judge(answer)) {
      case "receipt":
        return (await this.settle(entry, answer)) || this.renew(entry, answer, report);
      case "refused":
        return (await this.refuse(entry, answer, seen)) || this.renew(entry, answer, report);
      case "restored":
        return this.renew(entry, answer, report);
      case "sign_in":
        return this.stop(entry, answer, report);
      default:
        return this.later(entry, answer);
    }
  }

  /**
   * The receipt is here: the record is sent, if the epoch is still the adopted one.
   * @param {Entry} entry
   * @param {Answer} answer
   */
  async settle(entry, answer) {
    const sent_at = answer.at ?? this.clock.now();
    const is_sent = await this.move(entry, answer.epoch, { state: "sent", sent_at, refusal: null });
    if (!is_sent) return false;
    this.patience.succeeded(entry.vehicle);
    this.heard({ kind: "sent", entry, answer });
    if (answer.at !== null) await this.sweep(answer.at);
    return true;
  }

  /**
   * The server will never take it as it is: into the tray. Not if another server is adopted since, nor if an
   * earlier record, for want of which it may have been refused, left the tray while this one was under way.
   * @param {Entry} entry
   * @param {Answer} answer
   * @param {View} seen when it was sent
   */
  async refuse(entry, answer, seen) {
    const epoch = answer.epoch ?? (await this.network.ask(entry.person)).epoch;
    if (!epoch || epoch !== (seen.meta.epoch ?? epoch)) return false;
    const state = entry.is_signature ? "dropped" : "refused";
    const refusal = { status: answer.status, problem: answer.problem };
    const allows = (/** @type {readonly Entry[]} */ records) => stillWants(entry, seen.records, records);
    const is_moved = await this.move(entry, epoch, { state, refusal }, allows);
    if (!is_moved) return false;
    this.patience.succeeded(entry.vehicle);
    this.heard({ kind: state, entry: { ...entry, state, refusal }, answer });
    return true;
  }

  /**
   * The answer does not fit the adopted epoch, or nobody could say which holds: ask, and adopt another.
   * @param {Entry} entry
   * @param {Answer} answer
   * @param {Report} report
   */
  async renew(entry, answer, report) {
    if (await this.check(entry.person)) report.restored = true; // Of several vehicles that ask, one adopts.
    return this.later(entry, answer);
  }

  /**
   * @param {Entry} entry
   * @param {Answer} answer
   * @param {Report} report
   */
  stop(entry, answer, report) {
    report.sign_in.add(entry.person);
    report.revoked ||= answer.problem?.type === "tablet_revoked";
    return false;
  }

  /**
   * @param {Entry} entry
   * @param {Answer} answer
   */
  later(entry, answer) {
    this.patience.failed(entry.vehicle, answer);
    return false;
  }

  /**
   * No room to note a receipt: the record stays as it is and is sent again.
   * @param {unknown} error
   * @param {string} vehicle
   * @param {Report} report
   */
  full(error, vehicle, report) {
    if (!(error instanceof StorageFull)) throw error;
    report.storage_full = true;
    this.patience.failed(vehicle, { status: 0, retry_after_s: null });
    return false;
  }

  /**
   * @param {Entry} intent
   * @param {Answer} answer
   * @param {View} seen
   * @returns {Promise<Signing>}
   */
  async concludeSignature(intent, answer, seen) {
    if (onlyPinWrong(answer)) return "pin";
    switch (judge(answer)) {
      case "receipt":
        if (await this.settle(intent, answer)) return "signed"; // Or the job told of it first.
        return (await this.intents()).some(({ id }) => id === intent.id) ? this.laterAfterAsking(intent) : "signed";
      case "refused":
        return (await this.refuse(intent, answer, seen)) ? "dropped" : this.laterAfterAsking(intent);
      case "restored":
        return this.laterAfterAsking(intent);
      case "sign_in":
        return "sign_in";
      default:
        return "later";
    }
  }

  /**
   * @param {Entry} intent
   * @returns {Promise<'later'>}
   */
  async laterAfterAsking(intent) {
    await this.check(intent.person);
    return "later";
  }

  // --- what is stored ------------------------------------------------------------------------------------

  /**
   * @param {Draft} draft
   * @param {'waiting' | 'to_sign'} state
   * @returns {Promise<string>}
   */
  async keep(draft, state) {
    const record = newRecord(draft, state, draft.id ?? this.newId(), this.clock.now());
    const { id, vehicle } = record.entry;
    await this.store.change(draft.id ? "all" : "open", (seen) => ({ add: unlessThere(record, seen), result: null }));
    if (state === "waiting") this.lanes?.begin(vehicle);
    return id;
  }

  /**
   * Change a record that is still as it was, under the adopted epoch; the first epoch ever seen is adopted.
   * @param {Entry} entry
   * @param {string | null} epoch
   * @param {Partial<Entry>} changes
   * @param {(records: readonly Entry[]) => boolean} [allows]
   */
  move(entry, epoch, changes, allows = () => true) {
    return this.store.change("open", ({ records, meta }) => {
      const current = records.find((each) => each.seq === entry.seq && each.state === entry.state);
      if (!current || (meta.epoch ?? epoch) !== epoch || !allows(records)) return { result: false };
      return { put: [{ ...current, ...changes }], meta: { ...meta, epoch }, result: true };
    });
  }

  /**
   * Another epoch: everything that was sent waits again, signatures for their PIN.
   * @param {string} epoch
   * @returns {Promise<boolean>} whether there was another one before
   */
  async adopt(epoch) {
    const count = await this.store.change("all", ({ sent, meta }) => {
      if (meta.epoch === epoch) return { result: null };
      return { put: sent.map(toSendAgain), meta: { ...meta, epoch }, result: meta.epoch === null ? null : sent.length };
    });
    if (count === null) return false;
    this.heard({ kind: "restored", count });
    return true;
  }

  /**
   * Once a day, by the server's clock (a tablet's may jump by years): what was sent long ago is cleared away.
   * @param {number} now
   */
  async sweep(now) {
    const { meta } = await this.store.read();
    if (meta.swept_at !== null && now - meta.swept_at < DAY_MS) return;
    await this.store.change("all", (view) => ({
      remove: view.sent.filter((entry) => now - (entry.sent_at ?? now) > KEPT_DAYS * DAY_MS),
      meta: { ...view.meta, swept_at: now },
      result: null,
    }));
  }

  /** @param {Report} report */
  async againInMs(report) {
    const { records } = await this.store.read();
    const vehicles = vehiclesToSend(records, report.sign_in);
    if (!vehicles.length) return null;
    return Math.max(this.patience.dueInMs(vehicles), report.ran ? 0 : OTHER_TAB_MS);
  }
}
