/** Keeps an outbox going for as long as the page is open: at once, when it is woken, and when there is reason to. */

/** @typedef {import("./types.js").Report} Report */
/** @typedef {Report | {failure: unknown}} Told */

const AFTER_FAILURE_MS = 30_000;
export const LOOK_EVERY_MS = 600_000;

export class Sender {
  #isSending = false;
  #isWanted = false;
  #hasStopped = false;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  #timer;
  #lookedAt = -Infinity;

  /**
   * @param {object} parts
   * @param {import("./outbox.js").Outbox} parts.outbox
   * @param {(told: Told) => void} parts.tell after each pass; a failure is the storage's, with its `code`
   * @param {string | null} [parts.person] who asks which epoch holds
   */
  constructor({ outbox, tell, person = null }) {
    this.outbox = outbox;
    this.tell = tell;
    this.person = person;
  }

  /** A record was added, somebody signed in, or the page was opened. */
  wake() {
    this.#isWanted = true;
    if (!this.#isSending && !this.#hasStopped) this.#run();
  }

  /** The network is back: for the page's `online` event. */
  online() {
    this.outbox.patience.forgive();
    this.#lookedAt = -Infinity;
    this.wake();
  }

  stop() {
    this.#hasStopped = true;
    clearTimeout(this.#timer);
  }

  async #run() {
    this.#isSending = true;
    clearTimeout(this.#timer);
    let waitMs = LOOK_EVERY_MS;
    while (this.#isWanted && !this.#hasStopped) {
      this.#isWanted = false;
      waitMs = await this.#pass().catch((failure) => this.#fail(failure));
    }
    this.#isSending = false;
    if (!this.#hasStopped) this.#timer = setTimeout(() => this.wake(), waitMs);
  }

  /** @returns {Promise<number>} ms until the next one */
  async #pass() {
    await this.#look();
    const report = await this.outbox.deliver();
    this.tell(report);
    return Math.min(report.again_in_ms ?? LOOK_EVERY_MS, LOOK_EVERY_MS);
  }

  /** A server that was restored may have lost what nobody here is waiting for. */
  async #look() {
    const now = this.outbox.clock.elapsed();
    if (now - this.#lookedAt < LOOK_EVERY_MS) return;
    this.#lookedAt = now;
    await this.outbox.check(this.person);
  }

  /** @param {unknown} failure */
  #fail(failure) {
    this.tell({ failure });
    return AFTER_FAILURE_MS;
  }
}
