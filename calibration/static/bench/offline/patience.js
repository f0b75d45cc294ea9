/** When to try again: a vehicle's records wait for themselves, and all wait when the server asks for it. */

const FIRST_MS = 1_000;
const LONGEST_MS = 300_000;
const LONGEST_ASKED_MS = 3_600_000;
const ASKED_OF_ALL = new Set([429, 503]);

/**
 * Doubles with each attempt up to a cap; half of it is chance, so that tablets do not come back all at once.
 * @param {number} attempts from 1
 * @param {() => number} random 0 ≤ … < 1
 */
export function backOffMs(attempts, random) {
  const longest = Math.min(LONGEST_MS, FIRST_MS * 2 ** Math.min(attempts - 1, 30));
  return (longest * (1 + random())) / 2;
}

export class Patience {
  /** @type {Map<string, {attempts: number, until: number}>} */
  #vehicles = new Map();
  #everybodyUntil = -Infinity;

  /**
   * @param {() => number} elapsed ms, never going back
   * @param {() => number} random
   */
  constructor(elapsed, random) {
    this.elapsed = elapsed;
    this.random = random;
  }

  /** @param {string} vehicle */
  isDue(vehicle) {
    return this.#until(vehicle) <= this.elapsed();
  }

  /** @param {string[]} vehicles */
  dueInMs(vehicles) {
    return Math.max(0, Math.min(...vehicles.map((vehicle) => this.#until(vehicle))) - this.elapsed());
  }

  /**
   * @param {string} vehicle
   * @param {{status: number, retry_after_s: number | null}} answer
   */
  failed(vehicle, { status, retry_after_s }) {
    const attempts = (this.#vehicles.get(vehicle)?.attempts ?? 0) + 1;
    const asked = Math.min((retry_after_s ?? 0) * 1_000, LONGEST_ASKED_MS);
    const until = this.elapsed() + Math.max(asked, backOffMs(attempts, this.random));
    this.#vehicles.set(vehicle, { attempts, until });
    if (asked && ASKED_OF_ALL.has(status)) this.#everybodyUntil = this.elapsed() + asked;
  }

  /** @param {string} vehicle */
  succeeded(vehicle) {
    this.#vehicles.delete(vehicle);
  }

  /** The network is back: what only waited for it need not. What the server asked for still holds. */
  forgive() {
    this.#vehicles.clear();
  }

  /** @param {string} vehicle */
  #until(vehicle) {
    return Math.max(this.#vehicles.get(vehicle)?.until ?? -Infinity, this.#everybodyUntil);
  }
}
