/** What can be wrong with keeping records on this tablet. `code` is for the screen's words. */

/** No room. What was there before is untouched. */
export class StorageFull extends Error {
  code = /** @type {const} */ ("storage_full");

  /** @param {unknown} [cause] */
  constructor(cause) {
    super("There is no room on this tablet to keep the record. Nothing that was kept before is lost.", { cause });
  }
}

/** The browser keeps nothing here: private window, forbidden by its settings, or damaged. */
export class StorageRefused extends Error {
  code = /** @type {const} */ ("storage_refused");

  /** @param {unknown} [cause] */
  constructor(cause) {
    super("This browser does not let the page keep records on this tablet.", { cause });
  }
}
