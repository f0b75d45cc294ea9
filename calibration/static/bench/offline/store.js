/**
 * The store of the outbox in IndexedDB. Records, sent records, contents and what is known of the server, each in a
 * table of their own; lists are read without the contents, which may be pictures.
 *
 * The table `records` gives the order: its key counts up across tabs and never goes back, as a clock may.
 */

import { StorageFull, StorageRefused } from "./storage_errors.js";

/** @typedef {import("./types.js").Content} Content */
/** @typedef {import("./types.js").Entry} Entry */
/** @typedef {import("./types.js").Meta} Meta */
/** @typedef {import("./types.js").View} View */
/** @typedef {'records' | 'sent' | 'contents' | 'meta'} Table */

const TABLES = /** @type {const} */ (["records", "sent", "contents", "meta"]);
const VERSION = 1;
/** @type {Meta} */
const NOTHING_KNOWN = { epoch: null, swept_at: null };

export class IndexedDbStore {
  /** @type {Promise<IDBDatabase> | null} */
  #database = null;

  /**
   * @param {string} name one database per workshop
   * @param {IDBFactory} [factory]
   */
  constructor(name, factory = globalThis.indexedDB) {
    this.name = name;
    this.factory = factory;
  }

  /** @returns {Promise<View>} */
  async read() {
    return this.#within("readonly", ["records", "meta"], (step, done) => view(step, "open", done));
  }

  /**
   * @param {string} id
   * @returns {Promise<Content | null>}
   */
  async content(id) {
    return this.#within("readonly", ["contents"], (step, done) => {
      step.then(step.tables.contents.get(id), (kept) => done(kept?.content ?? null));
    });
  }

  /**
   * @template T
   * @param {'open' | 'all'} scope
   * @param {(view: View) => import("./types.js").Change<T>} decide
   * @returns {Promise<T>}
   */
  async change(scope, decide) {
    return this.#within("readwrite", TABLES, (step, done) => {
      view(step, scope, (seen) => {
        const change = decide(seen);
        write(step.tables, change);
        done(change.result);
      });
    });
  }

  /** Forget everything, unsent records too: for a tablet that was revoked. */
  async destroy() {
    const database = await this.#database;
    database?.close();
    this.#database = null;
    await requested(this.factory.deleteDatabase(this.name));
  }

  /**
   * Run one transaction. It resolves when the transaction is on disk, with what `work` gave to `done`, and rejects
   * when it was undone.
   * @template T
   * @param {IDBTransactionMode} mode
   * @param {readonly Table[]} names
   * @param {(step: Step, done: (result: T) => void) => void} work
   * @returns {Promise<T>}
   */
  async #within(mode, names, work) {
    const step = new Step(await this.#begin(mode, names), names);
    /** @type {T} */
    let result;
    step.attempt(() => work(step, (value) => (result = value)));
    return new Promise((resolve, reject) => {
      step.transaction.oncomplete = () => resolve(result);
      step.transaction.onabort = () => reject(storageError(step.failure ?? step.transaction.error));
    });
  }

  /**
   * @param {IDBTransactionMode} mode
   * @param {readonly Table[]} names
   */
  async #begin(mode, names) {
    const options = { durability: /** @type {const} */ ("strict") };
    try {
      return (await this.#open()).transaction([...names], mode, options);
    } catch (error) {
      if (!(error instanceof DOMException && error.name === "InvalidStateError")) throw storageError(error);
      this.#database = null; // The browser closed it behind our back.
      return (await this.#open()).transaction([...names], mode, options);
    }
  }

  #open() {
    this.#database ??= this.#opened().catch((error) => {
      this.#database = null;
      throw storageError(error);
    });
    return this.#database;
  }

  async #opened() {
    if (!this.factory) throw new StorageRefused();
    const request = this.factory.open(this.name, VERSION);
    request.onupgradeneeded = () => makeTables(request.result);
    const database = await requested(request);
    database.onversionchange = () => database.close();
    database.onclose = () => (this.#database = null);
    return database;
  }
}

/** A transaction under way. What is thrown within it undoes it and reaches whoever asked for it. */
class Step {
  /** @type {unknown} */
  failure = null;

  /**
   * @param {IDBTransaction} transaction
   * @param {readonly Table[]} names
   */
  constructor(transaction, names) {
    const tables = Object.fromEntries(names.map((name) => [name, transaction.objectStore(name)]));
    this.transaction = transaction;
    this.tables = /** @type {Record<Table, IDBObjectStore>} */ (tables);
  }

  /**
   * @template T
   * @param {IDBRequest<T>} request
   * @param {(result: T) => void} next
   */
  then(request, next) {
    request.onsuccess = () => this.attempt(() => next(request.result));
  }

  /** @param {() => void} work */
  attempt(work) {
    try {
      work();
    } catch (error) {
      this.failure = error;
      this.transaction.abort();
    }
  }
}

/**
 * Ask the browser not to clear this away when the disk gets short.
 * @param {StorageManager | undefined} [storage]
 * @returns {Promise<{persisted: boolean, used: number | null, quota: number | null}>}
 */
export async function askForPersistence(storage = globalThis.navigator?.storage) {
  if (!storage) return { persisted: false, used: null, quota: null };
  const persisted = (await storage.persisted()) || (await storage.persist());
  const { usage, quota } = await storage.estimate();
  return { persisted, used: usage ?? null, quota: quota ?? null };
}

/** @param {IDBDatabase} database */
function makeTables(database) {
  const records = database.createObjectStore("records", { keyPath: "seq", autoIncrement: true });
  records.createIndex("id", "id", { unique: true });
  database.createObjectStore("sent", { keyPath: "seq" });
  database.createObjectStore("contents", { keyPath: "id" });
  database.createObjectStore("meta", { keyPath: "key" });
}

/**
 * @param {Step} step
 * @param {'open' | 'all'} scope
 * @param {(view: View) => void} seen
 */
function view(step, scope, seen) {
  const { records, sent, meta } = step.tables;
  step.then(meta.get("server"), (kept) => {
    const known = kept ? { epoch: kept.epoch, swept_at: kept.swept_at } : NOTHING_KNOWN;
    step.then(records.getAll(), (open) => {
      if (scope === "open") return seen({ records: open, sent: [], meta: known });
      return step.then(sent.getAll(), (gone) => seen({ records: open, sent: gone, meta: known }));
    });
  });
}

/**
 * @param {Record<Table, IDBObjectStore>} tables
 * @param {import("./types.js").Change<unknown>} change
 */
function write({ records, sent, contents, meta }, { add = [], put = [], remove = [], meta: known }) {
  for (const { entry, content } of add) {
    records.add(entry);
    contents.add({ id: entry.id, content });
  }
  for (const entry of put) {
    const [to, from] = entry.state === "sent" ? [sent, records] : [records, sent];
    to.put(entry);
    from.delete(entry.seq);
  }
  for (const entry of remove) {
    for (const table of [records, sent]) table.delete(entry.seq);
    contents.delete(entry.id);
  }
  if (known) meta.put({ key: "server", ...known });
}

/**
 * @template T
 * @param {IDBRequest<T>} request
 * @returns {Promise<T>}
 */
function requested(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/**
 * What cannot be stored at all (`DataCloneError`) is the caller's mistake, everything else the browser's refusal.
 * @param {unknown} error
 */
function storageError(error) {
  if (!(error instanceof DOMException) || error.name === "DataCloneError") return error;
  return error.name === "QuotaExceededError" ? new StorageFull(error) : new StorageRefused(error);
}
