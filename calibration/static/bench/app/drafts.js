/**
 * What somebody is about to record: it outlives a reload, and is thrown away with the day. What one tab has recorded no
 * other holds any longer, so that nobody records it there once more.
 */

const PREFIX = "draft:";
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
    for (const [key, { day, value }] of await this.cupboard.all(PREFIX)) {
      if (day === today()) this.#values.set(key.slice(PREFIX.length), value);
      else await this.cupboard.remove(key);
    }
  }

  /** @param {string} key */
  get(key) {
    return this.#values.get(key) ?? null;
  }

  /**
   * @param {string} key
   * @param {unknown} value
   */
  set(key, value) {
    this.#values.set(key, value);
    this.cupboard.set(PREFIX + key, { day: today(), value }).catch(() => {}); // It is in memory; no record rests on it.
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

function today() {
  return new Date().toDateString();
}
