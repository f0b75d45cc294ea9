/**
 * What somebody is about to record: it outlives a reload and midnight, and is thrown away 24 hours after the last key,
 * unless it takes longer than that: it is then kept for as many days as it was set for. What one tab has recorded no
 * other holds any longer, so that nobody records it there once more.
 */

const PREFIX = "draft:";
const DAY_MS = 86_400_000;
const CHANNEL = "levelbook drafts";

export class Drafts {
  /** @type {Map<string, unknown>} */
  #values = new Map();
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
      this.#values.delete(key);
      clearedElsewhere(key);
    };
  }

  async open() {
    for (const [key, { until, value }] of await this.cupboard.all(PREFIX)) {
      if (Date.now() < until) this.#values.set(key.slice(PREFIX.length), value);
      else await this.cupboard.remove(key);
    }
  }

  get keys() {
    return [...this.#values.keys()];
  }

  /** @param {string} key */
  get(key) {
    return this.#values.get(key) ?? null;
  }

  /**
   * @param {string} key
   * @param {unknown} value
   * @param {number} [days] that it is kept
   */
  set(key, value, days = 1) {
    this.#values.set(key, value);
    this.cupboard.set(PREFIX + key, { until: Date.now() + days * DAY_MS, value }).catch(() => {}); // In memory; no record rests on it.
    this.changed();
  }

  /** @param {string} key */
  clear(key) {
    this.#values.delete(key);
    this.cupboard.remove(PREFIX + key).catch(() => {});
    this.changed();
    this.#otherTabs.postMessage(key);
  }
}
