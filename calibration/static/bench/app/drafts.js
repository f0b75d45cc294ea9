/** What somebody is about to record: it outlives a reload, and is thrown away with the day. */

const PREFIX = "draft:";

export class Drafts {
  /** @type {Map<string, unknown>} */
  #values = new Map();

  /**
   * @param {import("./cupboard.js").Cupboard} cupboard
   * @param {() => void} changed
   */
  constructor(cupboard, changed) {
    this.cupboard = cupboard;
    this.changed = changed;
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
  }
}

function today() {
  return new Date().toDateString();
}
