/** A press that keeps a record keeps one, however often it is pressed. */

/**
 * @param {() => Promise<unknown>} work gives `false` where something is missing yet, so that it may be pressed again
 * @returns {() => Promise<void>}
 */
export function once(work) {
  let isSpent = false;
  return async () => {
    if (isSpent) return;
    isSpent = true;
    try {
      isSpent = (await work()) !== false;
    } catch (error) {
      isSpent = false;
      // That it could not be kept was said where it happened, and everything typed is still here.
      if (!(error instanceof Error && "code" in error)) throw error;
    }
  };
}
