/** Chance that can be repeated: the generator "mulberry32" (32 bits of state, public domain), one per schedule. */

export class Chance {
  /** @param {number} start */
  constructor(start) {
    this.state = start >>> 0;
  }

  /** 0 ≤ … < 1 */
  next() {
    this.state = (this.state + 0x6d2b79f5) >>> 0;
    let mixed = this.state;
    mixed = Math.imul(mixed ^ (mixed >>> 15), mixed | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
  }

  /** A whole number below `end`. @param {number} end */
  below(end) {
    return Math.floor(this.next() * end);
  }

  /** @param {number} probability */
  happens(probability) {
    return this.next() < probability;
  }

  /** @template T @param {readonly T[]} things @returns {T} */
  one(things) {
    return things[this.below(things.length)];
  }
}
