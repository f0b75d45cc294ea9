/**
 * What the app keeps on this tablet beside the outbox: who enrolled it, who is at it, what was read today, what is
 * being typed. Key and value, in IndexedDB.
 */

import { StorageFull, StorageRefused } from "../offline/storage_errors.js";

export const CUPBOARD = "levelbook bench";
const TABLE = "kept";

export class Cupboard {
  /** @type {Promise<IDBDatabase> | null} */
  #database = null;
  /** What found no room. @type {Map<string, unknown>} */
  #held = new Map();

  /**
   * @param {string} name
   * @param {IDBFactory} [factory]
   */
  constructor(name, factory = globalThis.indexedDB) {
    this.name = name;
    this.factory = factory;
  }

  /**
   * @param {string} key
   * @returns {Promise<any>} null where there is nothing
   */
  async get(key) {
    return this.#held.get(key) ?? (await this.#within("readonly", (table) => table.get(key))) ?? null;
  }

  /**
   * @param {string} prefix
   * @returns {Promise<[key: string, value: any][]>}
   */
  async all(prefix) {
    const range = IDBKeyRange.bound(prefix, `${prefix}\uffff`);
    const keys = await this.#within("readonly", (table) => table.getAllKeys(range));
    return Promise.all(keys.map(async (key) => [String(key), await this.get(String(key))]));
  }

  /**
   * @param {string} key
   * @param {unknown} value
   */
  async set(key, value) {
    await this.#within("readwrite", (table) => table.put(value, key));
    this.#held.delete(key);
  }

  /**
   * The same for what no record rests on: where there is no room for it, it is there as long as the app is open.
   * @param {string} key
   * @param {unknown} value
   */
  async hold(key, value) {
    await this.set(key, value).catch(() => this.#held.set(key, value));
  }

  /** Let go of what is in memory only, of the keys with this beginning. @param {string} prefix */
  letGo(prefix) {
    for (const key of this.#held.keys()) if (key.startsWith(prefix)) this.#held.delete(key);
  }

  /** @param {string} key */
  async remove(key) {
    this.#held.delete(key);
    await this.#within("readwrite", (table) => table.delete(key));
  }

  /** Forget everything. */
  async destroy() {
    (await this.#database)?.close();
    this.#database = null;
    this.#held.clear();
    await requested(this.factory.deleteDatabase(this.name));
  }

  /**
   * @template T
   * @param {IDBTransactionMode} mode
   * @param {(table: IDBObjectStore) => IDBRequest<T>} work
   * @returns {Promise<T>}
   */
  async #within(mode, work) {
    const transaction = (await this.#open()).transaction([TABLE], mode);
    try {
      const request = work(transaction.objectStore(TABLE));
      await new Promise((resolve, reject) => {
        transaction.oncomplete = resolve;
        transaction.onabort = () => reject(transaction.error);
      });
      return request.result;
    } catch (error) {
      throw storageError(error);
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
    const request = this.factory.open(this.name, 1);
    request.onupgradeneeded = () => request.result.createObjectStore(TABLE);
    const database = await requested(request);
    database.onversionchange = () => database.close();
    database.onclose = () => (this.#database = null);
    return database;
  }
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

/** @param {unknown} error */
function storageError(error) {
  if (!(error instanceof DOMException)) return error;
  return error.name === "QuotaExceededError" ? new StorageFull(error) : new StorageRefused(error);
}
