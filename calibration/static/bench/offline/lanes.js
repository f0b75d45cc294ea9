/** Vehicles beside each other: a slow one holds no other up, and one that gets a record meanwhile joins. */

export class Lanes {
  /** @type {Map<string, Promise<void>>} */
  #underWay = new Map();
  #hasEnded = false;
  /** @type {{failure: unknown} | null} */
  #failed = null;

  /**
   * @param {(vehicle: string) => Promise<void>} drive sends what one vehicle has
   * @param {Iterable<string>} vehicles
   */
  constructor(drive, vehicles) {
    this.drive = drive;
    for (const vehicle of vehicles) this.begin(vehicle);
  }

  /** Once at a time for each vehicle. @param {string} vehicle */
  begin(vehicle) {
    if (this.#hasEnded || this.#underWay.has(vehicle)) return;
    const lane = this.drive(vehicle)
      .catch((failure) => void (this.#failed ??= { failure }))
      .finally(() => this.#underWay.delete(vehicle));
    this.#underWay.set(vehicle, lane);
  }

  /** When all are through; rejects with what failed first. */
  async end() {
    while (this.#underWay.size) await Promise.race(this.#underWay.values());
    this.#hasEnded = true;
    if (this.#failed) throw this.#failed.failure;
  }
}
