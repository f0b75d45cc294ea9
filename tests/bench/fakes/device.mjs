/**
 * A tablet: its disk, which survives everything, and tabs, which die at any store operation.
 *
 * A transaction is done wholly or not at all; what a dead tab asked for is never answered.
 */

import { StorageFull } from "../../../calibration/static/bench/offline/storage_errors.js";

const NEVER = new Promise(() => {});

export class Device {
  constructor() {
    this.records = new Map();
    this.sent = new Map();
    this.contents = new Map();
    this.meta = Object.freeze({ epoch: null, swept_at: null });
    this.nextSeq = 1;
    this.isFull = false;
    /** Every record that ever reached the disk, for the verdict: id → {seq, fields}. */
    this.written = new Map();
    /** Records that a person had sent again from the tray. */
    this.sentAgain = new Set();
    this.holder = null;
  }

  view(scope) {
    return { records: inOrder(this.records), sent: scope === "all" ? inOrder(this.sent) : [], meta: this.meta };
  }

  apply({ add = [], put = [], remove = [], meta }) {
    if (this.isFull && (add.length || put.length)) throw new StorageFull();
    for (const { entry, content } of add) this.#add(entry, content);
    for (const entry of put) {
      const [to, from] = entry.state === "sent" ? [this.sent, this.records] : [this.records, this.sent];
      if (entry.state === "waiting" && this.records.get(entry.seq)?.state === "refused") this.sentAgain.add(entry.id);
      to.set(entry.seq, Object.freeze(entry));
      from.delete(entry.seq);
    }
    for (const { seq, id } of remove) {
      this.records.delete(seq);
      this.sent.delete(seq);
      this.contents.delete(id);
    }
    if (meta) this.meta = Object.freeze(meta);
  }

  #add(entry, content) {
    const seq = this.nextSeq++;
    this.records.set(seq, Object.freeze({ ...entry, seq }));
    this.contents.set(entry.id, Object.freeze(content));
    this.written.set(entry.id, { seq, fields: content.fields });
  }
}

/** The store as one tab sees it. `disturb` may end the tab: before an operation, or between it and its answer. */
export class DeviceStore {
  constructor(device, tab, disturb) {
    this.device = device;
    this.tab = tab;
    this.disturb = disturb;
  }

  read() {
    return this.#operation(() => this.device.view("open"));
  }

  content(id) {
    return this.#operation(() => this.device.contents.get(id) ?? null);
  }

  change(scope, decide) {
    return this.#operation(() => {
      const change = decide(this.device.view(scope));
      this.device.apply(change);
      return change.result;
    });
  }

  async #operation(work) {
    await this.disturb("before");
    if (!this.tab.isAlive) return NEVER;
    const result = work();
    await this.disturb("after");
    return this.tab.isAlive ? result : NEVER;
  }
}

/** Web Locks: one holder at a time; whoever dies lets go. */
export function aloneOn(device, tab) {
  return async (work) => {
    if (device.holder?.isAlive) return false;
    device.holder = tab;
    try {
      await work();
    } finally {
      device.holder = null;
    }
    return true;
  };
}

function inOrder(table) {
  return [...table.values()].sort((one, other) => one.seq - other.seq);
}
