/**
 * What somebody is about to record: it outlives a reload, and is thrown away with the day, unless it takes longer than
 * that: it is then kept for as many days as it was set for. What one tab has recorded no
 * other holds any longer, so that nobody records it there once more.
 */

const PREFIX = "draft:";
const DAY_MS = 86_400_000;
const CHANNEL = "levelbook drafts";

export class Drafts {
  /** @type {Map<string, unknown>} */
  #values = new Map();
  /** @type {Set<string>} */
  #lasting = new Set();
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
      this.#drop(key);
      clearedElsewhere(key);
    };
  }

  async open() {
    for (const [key, { day, until, value }] of await this.cupboard.all(PREFIX)) {
      if (day === today() || Date.now() < (until ?? 0)) this.#take(key.slice(PREFIX.length), value, until ?? null);
      else await this.cupboard.remove(key);
    }
  }

  /** The keys of those that are kept for days. */
  get lasting() {
    return [...this.#lasting];
  }

  /** @param {string} key */
  get(key) {
    return this.#values.get(key) ?? null;
  }

  /**
   * @param {string} key
   * @param {unknown} value
   * @param {number} [days] that it is kept; without it until the day is over
   */
  set(key, value, days = 0) {
    const until = days > 0 ? Date.now() + days * DAY_MS : null;
    this.#take(key, value, until);
    this.cupboard.set(PREFIX + key, { day: today(), until, value }).catch(() => {}); // In memory; no record rests on it.
    this.changed();
  }

  /** @param {string} key */
  clear(key) {
    this.#drop(key);
    this.cupboard.remove(PREFIX + key).catch(() => {});
    this.changed();
    this.#otherTabs.postMessage(key);
  }

  /** @param {string} key @param {unknown} value @param {number | null} until */
  #take(key, value, until) {
    this.#values.set(key, value);
    if (until === null) this.#lasting.delete(key);
    else this.#lasting.add(key);
  }

  /** @param {string} key */
  #drop(key) {
    this.#values.delete(key);
    this.#lasting.delete(key);
  }
}

function today() {
  return new Date().toDateString();
}
