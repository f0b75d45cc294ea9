/**
 * What the offline modules hand to one another. Types only.
 *
 * @typedef {'waiting' | 'sent' | 'refused' | 'to_sign' | 'dropped'} State
 *   waiting: to be sent; sent: the server's receipt is here; refused: in the tray, a person decides;
 *   to_sign: an intent to sign, which waits for a PIN; dropped: an intent that the server refused, never replayed.
 *
 * @typedef {object} Problem RFC 9457, as the server answers it.
 * @property {string} type
 * @property {string} [title]
 * @property {number} [status]
 * @property {string} [detail]
 * @property {string} [next_step]
 * @property {{pointer: string, code: string, detail: string}[]} [errors]
 *
 * @typedef {object} Refusal
 * @property {number} status
 * @property {Problem | null} problem
 *
 * @typedef {object} Entry One record without its content.
 * @property {number} seq place in the order of this tablet, given by the store
 * @property {string} id UUIDv7, the idempotency key; also in the content
 * @property {string} vehicle whose records keep their order
 * @property {string | null} person whose credential sends it; the meaning is the caller's
 * @property {'POST'} method
 * @property {string} path
 * @property {number} noted_at ms since 1970 by this tablet's clock
 * @property {boolean} is_signature
 * @property {State} state
 * @property {number | null} sent_at ms since 1970 by the server's clock
 * @property {Refusal | null} refusal
 *
 * @typedef {object} Attachment
 * @property {string} name
 * @property {string} type media type
 * @property {ArrayBuffer} bytes
 *
 * @typedef {object} Content What is sent: JSON, or multipart form data where there is a file.
 * @property {Record<string, unknown>} fields
 * @property {Attachment | null} file
 *
 * @typedef {object} Meta
 * @property {string | null} epoch the server's, as last adopted
 * @property {number | null} swept_at server's time when old sent records were last cleared away
 *
 * @typedef {object} View
 * @property {readonly Entry[]} records all but the sent ones, in order
 * @property {readonly Entry[]} sent in order; empty unless the scope is 'all'
 * @property {Meta} meta
 *
 * @typedef {{entry: Omit<Entry, 'seq'>, content: Content}} NewRecord
 */

/**
 * @template T
 * @typedef {object} Change What one transaction does, wholly or not at all.
 * @property {NewRecord[]} [add]
 * @property {Entry[]} [put]
 * @property {Entry[]} [remove] with their contents
 * @property {Meta} [meta]
 * @property {T} result
 */

/**
 * @typedef {object} Store
 * @property {() => Promise<View>} read
 * @property {(id: string) => Promise<Content | null>} content
 * @property {<T>(scope: 'open' | 'all', decide: (view: View) => Change<T>) => Promise<T>} change
 *   Reads, decides and writes in one transaction that is on disk when the promise resolves. Rejects with
 *   `StorageFull` or `StorageRefused`, and has then changed nothing.
 *
 * @typedef {object} Answer
 * @property {number} status 0: no answer
 * @property {string | null} epoch
 * @property {number | null} at server's time, ms since 1970
 * @property {number | null} retry_after_s
 * @property {Problem | null} problem only where the answer is application/problem+json
 * @property {unknown} body
 *
 * @typedef {object} Courier The network as the outbox sees it. Neither call rejects.
 * @property {(entry: Entry, content: Content, epoch: string | null) => Promise<Answer>} send
 * @property {(person: string | null) => Promise<Answer>} ask a call that changes nothing, for the epoch that holds now
 *
 * @typedef {object} Clock
 * @property {() => number} now ms since 1970
 * @property {() => number} elapsed ms since some moment; never goes back
 *
 * @typedef {object} Draft
 * @property {string} vehicle
 * @property {string} path
 * @property {Record<string, unknown>} fields
 * @property {Attachment | null} [file]
 * @property {string | null} [person]
 * @property {string | null} [id] where it has one since its first key, so that two tabs keep it once
 *
 * @typedef {object} Report What a pass came to.
 * @property {boolean} ran false: another tab is at it
 * @property {boolean} restored the server is another than before: what was sent is offered again
 * @property {Set<string | null>} sign_in people who have to sign in before their records can go
 * @property {boolean} revoked this tablet is no longer welcome
 * @property {boolean} storage_full receipts could not be kept; their records will be sent again
 * @property {number | null} again_in_ms when the next pass is worth making; null: nothing waits that a pass could move
 *
 * @typedef {{kind: 'sent' | 'refused' | 'dropped', entry: Entry, answer: Answer}
 *   | {kind: 'restored', count: number}} Event
 */
export {};
