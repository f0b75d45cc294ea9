/**
 * What somebody is about to record: it outlives a reload and midnight, and is thrown away 24 hours after the last key,
 * unless it takes longer than that: it is then kept for as many days as it was set for.
 *
 * A draft has the id of its record from its first key. What one tab has recorded no other holds any longer; where two
 * record it at once, or a tab is killed between recording and clearing, it is one record all the same.
 */

import { uuid7 } from "../offline/uuid7.js";

const PREFIX = "draft:";
const DAY_MS = 86_400_000;
const CHANNEL = "levelbook drafts";

/** @typedef {{id: string, value: unknown}} Draft */

export class Drafts {
  /** @type {Map<string, Draft>} */
  #drafts = new Map();
  #otherTabs = new BroadcastChannel(CHANNEL);

  /**
   * @param {import("./cupboard.js").Cupboard} cupboard
   * @param {() => void} changed
   * @param {(key: string) => void} clearedElsewhere told of what another tab has recorded
   */
  constructor(cupboard, changed, clearedElsewhere) {
    this.cupboard = cupboard;
    this.changed = changed;
    this.#otherTabs.onmessage = ({ data: key }) => {
      this.#drafts.delete(key);
      clearedElsewhere(key);
    };
  }

  async open() {
    for (const [key, { until, id, value }] of await this.cupboard.all(PREFIX)) {
      if (Date.now() < until) this.#drafts.set(key.slice(PREFIX.length), { id, value });
      else await this.cupboard.remove(key);
    }
  }

  /**
   * Throw away what was recorded by a tab that was killed before it could. Where the disk does not answer it stays: its
   * id makes it one record all the same.
   * @param {{held: (ids: string[]) => Promise<Set<string>>}} sending which records are kept
   */
  async clearRecorded(sending) {
    if (this.#drafts.size === 0) return;
    const recorded = await sending.held([...this.#drafts.values()].map(({ id }) => id)).catch(() => new Set());
    for (const [key, { id }] of this.#drafts) if (recorded.has(id)) this.clear(key);
  }

  get keys() {
    return [...this.#drafts.keys()];
  }

  /** @param {string} key */
  get(key) {
    return this.#drafts.get(key)?.value ?? null;
  }

  /** Of the record that the draft becomes; null where there is none. @param {string} key */
  idOf(key) {
    return this.#drafts.get(key)?.id ?? null;
  }

  /**
   * @param {string} key
   * @param {unknown} value
   * @param {number} [days] that it is kept
   */
  set(key, value, days = 1) {
    const id = this.idOf(key) ?? uuid7();
    this.#drafts.set(key, { id, value });
    void this.cupboard.hold(PREFIX + key, { until: Date.now() + days * DAY_MS, id, value });
    this.changed();
  }

  /** @param {string} key */
  clear(key) {
    this.#drafts.delete(key);
    this.cupboard.remove(PREFIX + key).catch(() => {});
    this.changed();
    this.#otherTabs.postMessage(key);
  }
}
