/**
 * One schedule: a tablet with tabs, a wireless, a server and people, all of whom do by chance what they may do.
 *
 * Everything that happens is decided here from one number, so that a schedule can be run again. The outbox under
 * test is the one that the app ships; only its surroundings are made up.
 */

import { Outbox } from "../../calibration/static/bench/offline/outbox.js";
import { StorageFull } from "../../calibration/static/bench/offline/storage_errors.js";
import { Chance } from "./fakes/chance.mjs";
import { aloneOn, Device, DeviceStore } from "./fakes/device.mjs";
import { Wireless } from "./fakes/network.mjs";
import { Server } from "./fakes/server.mjs";

export const MINUTE = 60_000;
const DEFECTS = [400, 403, 409, 413, 415, 422];
const PEOPLE = ["person-1", "person-2"];
const VEHICLES = ["vehicle-1", "vehicle-2", "vehicle-3"];
export const RIGHT_PIN = "2718";

/** @returns {Promise<void>} when nothing more happens by itself */
export const allIsStill = () => new Promise((resolve) => setImmediate(resolve));

export class World {
  /**
   * @param {number} start
   * @param {typeof Outbox} outboxClass
   */
  constructor(start, outboxClass = Outbox) {
    this.chance = new Chance(start);
    this.outboxClass = outboxClass;
    this.elapsed = 0;
    this.clockError = 0;
    this.device = new Device();
    this.server = new Server();
    this.wireless = new Wireless(this.server, this.chance, () => this.elapsed);
    this.locksHold = this.chance.happens(0.8);
    this.isSlow = this.chance.happens(0.3);
    this.crashRate = this.chance.happens(0.5) ? 0.01 : 0;
    this.vehicles = VEHICLES.slice(0, 1 + this.chance.below(VEHICLES.length));
    this.tabs = [this.openTab(), this.openTab()].slice(0, 1 + this.chance.below(2));
    this.ids = 0;
    this.crashes = 0;
    /** @type {Map<string, object>} what people were told is kept: id → fields */
    this.kept = new Map();
    this.refusedForRoom = [];
    this.discarded = new Set();
    this.replayed = [];
    this.marks = 0;
  }

  // --- the tablet ------------------------------------------------------------------------------------------

  openTab() {
    const tab = { isAlive: true };
    tab.outbox = new this.outboxClass({
      store: new DeviceStore(this.device, tab, () => this.#disturb(tab)),
      network: this.#watched(this.wireless.courier(tab)),
      clock: { now: () => this.elapsed + this.clockError, elapsed: () => this.elapsed },
      newId: () => `id-${(this.ids += 1)}`,
      alone: this.locksHold ? aloneOn(this.device, tab) : (work) => work().then(() => true),
      random: () => this.chance.next(),
    });
    return tab;
  }

  /** Storage takes its time, and power fails between any two operations. */
  #disturb(tab) {
    if (this.crashRate && this.chance.happens(this.crashRate)) this.crash(tab);
    return this.isSlow && this.chance.happens(0.5) ? allIsStill() : undefined;
  }

  /** An intent that was dropped must never be sent again. */
  #watched(courier) {
    const send = (entry, content, epoch) => {
      const stored = this.device.records.get(entry.seq);
      if (stored?.state === "dropped") this.replayed.push(entry.id);
      return courier.send(entry, content, epoch);
    };
    return { ...courier, send };
  }

  crash(tab) {
    tab.isAlive = false;
    this.crashes += 1;
    this.tabs = this.tabs.map((each) => (each === tab ? this.openTab() : each));
  }

  get tab() {
    return this.chance.one(this.tabs);
  }

  // --- what people do --------------------------------------------------------------------------------------

  async note() {
    const fields = { mark: `mark-${(this.marks += 1)}`, vehicle: this.chance.one(this.vehicles) };
    if (this.chance.happens(0.15)) fields.defect = this.chance.one(DEFECTS);
    const earlier = [...this.kept].filter(([, each]) => each.vehicle === fields.vehicle && !each.is_signature);
    if (earlier.length && this.chance.happens(0.4)) fields.needs = this.chance.one(earlier)[0];
    const id = this.chance.happens(0.3) ? `draft-${this.marks}` : null;
    await this.#keep("add", fields, id);
  }

  async intend() {
    const vehicle = this.chance.one(this.vehicles);
    const content_sha256 = this.server.contentHash(vehicle);
    await this.#keep("intend", { mark: `mark-${(this.marks += 1)}`, vehicle, content_sha256, is_signature: true });
  }

  /** What has an id already is a draft that is pressed twice, in one tab or in two. */
  async #keep(how, fields, id = null) {
    const draft = { id, vehicle: fields.vehicle, path: "/records/", fields, person: this.chance.one(PEOPLE) };
    const tabs = id ? [this.tab, this.tab] : [this.tab];
    const outcomes = await Promise.allSettled(tabs.map(({ outbox }) => outbox[how](draft)));
    const other = outcomes.find(({ reason }) => reason && !(reason instanceof StorageFull));
    if (other) throw other.reason;
    const kept = outcomes.find(({ status }) => status === "fulfilled");
    if (kept) this.kept.set(kept.value, fields);
    else this.refusedForRoom.push(fields.mark);
  }

  /** One person at a time types a PIN. */
  async sign(pin) {
    const { tab } = this;
    if (this.tabs.some(({ isSigning }) => isSigning)) return;
    tab.isSigning = true;
    const intents = await tab.outbox.intents();
    if (intents.length) await unlessFull(tab.outbox.sign(this.chance.one(intents).id, { pin }));
    tab.isSigning = false;
  }

  async retry(id) {
    if (id) await this.tab.outbox.retry(id);
  }

  async mendAndRetry() {
    const defective = this.#ids("refused").filter((id) => this.device.contents.get(id).fields.defect);
    if (!defective.length) return;
    const id = this.chance.one(defective);
    this.mend(id);
    await this.retry(id);
  }

  /** What was wrong with it is put right at the server: a right given, a thing recorded. */
  mend(id) {
    this.server.mended.add(id);
    this.wireless.forget(id);
  }

  async discard() {
    const id = this.#anyOf("refused", "dropped", "to_sign");
    if (!id) return;
    this.discarded.add(id);
    await this.tab.outbox.discard(id);
  }

  #ids(...states) {
    return [...this.device.records.values()].filter(({ state }) => states.includes(state)).map(({ id }) => id);
  }

  #anyOf(...states) {
    const ids = this.#ids(...states);
    return ids.length ? this.chance.one(ids) : null;
  }

  // --- what befalls them -----------------------------------------------------------------------------------

  restore() {
    this.wireless.cut();
    this.server.restore(this.chance.one(this.server.backups));
  }

  passTime() {
    this.elapsed += this.chance.one([1_000, MINUTE, 60 * MINUTE]);
    if (this.chance.happens(0.1)) this.clockError = (this.chance.next() - 0.5) * 2 * 365 * 1440 * MINUTE;
  }

  signInOrOut() {
    const person = this.chance.one(PEOPLE);
    if (!this.server.signedOut.delete(person)) this.server.signedOut.add(person);
  }

  /** One thing happens. What takes time is under way when the next one does. */
  step() {
    if (this.wireless.flights.length && this.chance.happens(0.6)) return this.wireless.move();
    const [, happens] = pick(HAPPENINGS, this.chance);
    return happens(this);
  }

  // --- the end ---------------------------------------------------------------------------------------------

  /** All faults end; people and tablet do what is left to do. */
  async quiesce() {
    this.crashRate = 0;
    this.isSlow = false;
    this.device.isFull = false;
    this.wireless.isUp = true;
    this.wireless.isFaulty = false;
    this.server.signedOut.clear();
    await this.#deliverAll();
    for (const id of this.#ids("refused").filter((each) => this.server.mended.has(each))) {
      this.retry(id);
      await this.#deliverAll();
    }
    for (const id of this.#ids("to_sign")) {
      this.tabs[0].outbox.sign(id, { pin: RIGHT_PIN });
      await this.#settle();
    }
  }

  async #deliverAll() {
    for (let attempt = 0; attempt < 40; attempt += 1) {
      this.elapsed += 120 * MINUTE;
      for (const { outbox } of this.tabs) outbox.check(PEOPLE[0]);
      await this.#settle();
      for (const { outbox } of this.tabs) outbox.deliver();
      await this.#settle();
      if (attempt && !this.#ids("waiting").length) return;
    }
  }

  async #settle() {
    await allIsStill();
    await allIsStill();
    while (this.wireless.flights.length) {
      this.wireless.move();
      await allIsStill();
    }
  }
}

/** How often, and what. */
const HAPPENINGS = [
  [20, (world) => void world.note()],
  [20, (world) => unlessFull(world.tab.outbox.deliver())],
  [5, (world) => world.passTime()],
  [3, (world) => unlessFull(world.tab.outbox.check(PEOPLE[0]))],
  [2, (world) => void world.intend()],
  [3, (world) => void world.sign(world.chance.happens(0.7) ? RIGHT_PIN : "0000")],
  [4, (world) => unlessFull(world.mendAndRetry())],
  [1, (world) => unlessFull(world.retry(world.chance.one([...world.kept.keys(), null])))],
  [1, (world) => void world.discard()],
  [2, (world) => void world.tab.outbox.patience.forgive()],
  [2, (world) => world.crash(world.tab)],
  [2, (world) => world.server.backUp()],
  [2, (world) => world.restore()],
  [2, (world) => void (world.wireless.isUp = !world.wireless.isUp)],
  [2, (world) => world.signInOrOut()],
  [1, (world) => void (world.device.isFull = !world.device.isFull)],
];

/** The app says that there is no room; the next attempt goes on from there. */
async function unlessFull(work) {
  const [done] = await Promise.allSettled([work]);
  if (done.status === "rejected" && !(done.reason instanceof StorageFull)) throw done.reason;
}

const WEIGHT = HAPPENINGS.reduce((sum, [weight]) => sum + weight, 0);

function pick(happenings, chance) {
  let left = chance.below(WEIGHT);
  return happenings.find(([weight]) => (left -= weight) < 0);
}
