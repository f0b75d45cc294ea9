/**
 * Has one tab at a time do the sending (Web Locks). Over plain HTTP there are no locks: each tab sends, which the
 * ids make safe.
 * @param {string} name
 * @param {LockManager | undefined} [locks]
 * @returns {(work: () => Promise<void>) => Promise<boolean>} whether it ran
 */
export function aloneUnder(name, locks = globalThis.navigator?.locks) {
  if (!locks) return (work) => work().then(() => true);
  return (work) =>
    locks.request(name, { ifAvailable: true }, async (lock) => {
      if (lock) await work();
      return lock !== null;
    });
}
