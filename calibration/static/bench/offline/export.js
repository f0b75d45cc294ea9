/**
 * The outbox as a file that only the workshop can read: for a tablet that will not come online again.
 *
 * The file, in order (sizes in bytes):
 *   4   "LBOX"
 *   1   version, 1
 *   8   which key: the first bytes of SHA-256 over the recipient's public key
 *   65  the sender's one-time public key, P-256, uncompressed (SEC 1, 2.3.3)
 *   12  nonce
 *   …   AES-256-GCM, its 16-byte tag at the end; all of the above is its additional data
 * The AES key is HKDF-SHA-256 of the ECDH secret (x coordinate, 32 bytes), salt: sender's ‖ recipient's public key,
 * info: "levelbook outbox file 1".
 *
 * What is encrypted:
 *   4   length of the manifest, big-endian
 *   …   the manifest, JSON in UTF-8: {version, workshop, tablet, saved_at, epoch, records: [Entry & {content}]};
 *       a content's file is {name, type, size}
 *   …   the files, one after the other, in the order of the records
 */

/** @typedef {import("./types.js").Content} Content */
/** @typedef {import("./types.js").Entry} Entry */
/** @typedef {Entry & {content: Content}} SavedRecord */
/** @typedef {{workshop: string, tablet: string, saved_at: string}} About */
/** @typedef {{bytes: number, records: number}} Limits of one file */

const MAGIC = new TextEncoder().encode("LBOX");
const VERSION = 1;
const INFO = new TextEncoder().encode("levelbook outbox file 1");
const CURVE = { name: "ECDH", namedCurve: "P-256" };
const KEY_ID = 8;
const POINT = 65;
const NONCE = 12;
/** A little less than the service takes, which is 11 MB with 500 records; one photo of 10 MB always goes in. */
const LIMITS = { bytes: 10_500_000, records: 500 };
/** What the manifest says of a record besides its own words: the names of members, the file's name, type and size. */
const LISTED = 600;
const HEAD = MAGIC.length + 1 + KEY_ID + POINT + NONCE;

/**
 * Everything that is not sent, refused records and intents to sign included, ready to be saved: one file, or several
 * where the service would not take one of that size. Each is a file of its own; their order is that of the records.
 * @param {import("./types.js").Store} store
 * @param {Uint8Array<ArrayBuffer>} recipient the workshop's public key, P-256, uncompressed
 * @param {About} about
 * @param {Limits} [limits]
 * @returns {Promise<Uint8Array<ArrayBuffer>[]>}
 */
export async function outboxFiles(store, recipient, about, limits = LIMITS) {
  const { records, meta } = await store.read();
  const saved = [];
  for (const entry of records) {
    const content = await store.content(entry.id);
    if (content) saved.push({ ...entry, content }); // None: sent or discarded in between.
  }
  const files = portions(saved, limits);
  return Promise.all(files.map((each) => encrypt(packed({ ...about, epoch: meta.epoch }, each), recipient)));
}

/**
 * @param {SavedRecord[]} saved
 * @param {Limits} limits
 * @returns {SavedRecord[][]} at least one
 */
function portions(saved, { bytes, records }) {
  /** @type {SavedRecord[][]} */
  const files = [[]];
  let size = 0;
  for (const record of saved) {
    const own = sizeOf(record);
    const last = files[files.length - 1];
    if (last.length > 0 && (size + own > bytes || last.length === records)) {
      files.push([]);
      size = 0;
    }
    files[files.length - 1].push(record);
    size += own;
  }
  return files;
}

/** @param {SavedRecord} record */
function sizeOf({ content: { fields, file }, ...entry }) {
  return new TextEncoder().encode(JSON.stringify({ entry, fields })).length + (file?.bytes.byteLength ?? 0) + LISTED;
}

/**
 * The counterpart, for whoever has the workshop's private key.
 * @param {Uint8Array<ArrayBuffer>} file
 * @param {CryptoKey} privateKey
 * @param {Uint8Array<ArrayBuffer>} recipient the public key that belongs to it
 */
export async function readOutboxFile(file, privateKey, recipient) {
  return unpacked(await decrypt(file, privateKey, recipient));
}

/**
 * @param {Uint8Array<ArrayBuffer>} plain
 * @param {Uint8Array<ArrayBuffer>} recipient
 */
async function encrypt(plain, recipient) {
  const publicKey = await crypto.subtle.importKey("raw", recipient, CURVE, false, []);
  const oneTime = await crypto.subtle.generateKey(CURVE, false, ["deriveBits"]);
  const sender = new Uint8Array(await crypto.subtle.exportKey("raw", oneTime.publicKey));
  const nonce = crypto.getRandomValues(new Uint8Array(NONCE));
  const head = joined([MAGIC, Uint8Array.of(VERSION), await keyId(recipient), sender, nonce]);
  const key = await aesKey(oneTime.privateKey, publicKey, joined([sender, recipient]), "encrypt");
  const secret = await crypto.subtle.encrypt({ name: "AES-GCM", iv: nonce, additionalData: head }, key, plain);
  return joined([head, new Uint8Array(secret)]);
}

/**
 * @param {Uint8Array<ArrayBuffer>} file
 * @param {CryptoKey} privateKey
 * @param {Uint8Array<ArrayBuffer>} recipient
 */
async function decrypt(file, privateKey, recipient) {
  const head = file.slice(0, HEAD);
  await requireOurs(head, recipient);
  const [sender, nonce] = [head.slice(HEAD - NONCE - POINT, HEAD - NONCE), head.slice(HEAD - NONCE)];
  const publicKey = await crypto.subtle.importKey("raw", sender, CURVE, false, []);
  const key = await aesKey(privateKey, publicKey, joined([sender, recipient]), "decrypt");
  const algorithm = { name: "AES-GCM", iv: nonce, additionalData: head };
  return new Uint8Array(await crypto.subtle.decrypt(algorithm, key, file.slice(HEAD)));
}

/**
 * @param {Uint8Array<ArrayBuffer>} head
 * @param {Uint8Array<ArrayBuffer>} recipient
 */
async function requireOurs(head, recipient) {
  const start = joined([MAGIC, Uint8Array.of(VERSION)]);
  if (head.length < HEAD || start.some((byte, place) => head[place] !== byte)) {
    throw new TypeError("This is no outbox file of version 1.");
  }
  const id = await keyId(recipient);
  if (id.some((byte, place) => head[start.length + place] !== byte)) {
    throw new TypeError("This outbox file was made for another key.");
  }
}

/**
 * @param {CryptoKey} privateKey
 * @param {CryptoKey} publicKey
 * @param {Uint8Array<ArrayBuffer>} salt
 * @param {'encrypt' | 'decrypt'} use
 */
async function aesKey(privateKey, publicKey, salt, use) {
  const shared = await crypto.subtle.deriveBits({ name: "ECDH", public: publicKey }, privateKey, 256);
  const secret = await crypto.subtle.importKey("raw", shared, "HKDF", false, ["deriveKey"]);
  const derivation = { name: "HKDF", hash: "SHA-256", salt, info: INFO };
  return crypto.subtle.deriveKey(derivation, secret, { name: "AES-GCM", length: 256 }, false, [use]);
}

/** @param {Uint8Array<ArrayBuffer>} publicKey */
async function keyId(publicKey) {
  return new Uint8Array(await crypto.subtle.digest("SHA-256", publicKey)).slice(0, KEY_ID);
}

/**
 * @param {Record<string, unknown>} about
 * @param {SavedRecord[]} saved
 */
function packed(about, saved) {
  const records = saved.map(({ content: { fields, file }, ...entry }) => {
    const listed = file && { name: file.name, type: file.type, size: file.bytes.byteLength };
    return { ...entry, content: { fields, file: listed } };
  });
  const manifest = new TextEncoder().encode(JSON.stringify({ version: VERSION, ...about, records }));
  const length = new Uint8Array(4);
  new DataView(length.buffer).setUint32(0, manifest.length);
  const files = saved.flatMap(({ content }) => (content.file ? [new Uint8Array(content.file.bytes)] : []));
  return joined([length, manifest, ...files]);
}

/** @param {Uint8Array<ArrayBuffer>} plain */
function unpacked(plain) {
  let place = 4 + new DataView(plain.buffer).getUint32(0);
  const manifest = JSON.parse(new TextDecoder().decode(plain.subarray(4, place)));
  for (const { content } of manifest.records) {
    if (!content.file) continue;
    const { size, ...listed } = content.file;
    content.file = { ...listed, bytes: plain.buffer.slice(place, (place += size)) };
  }
  return manifest;
}

/**
 * @param {Uint8Array[]} parts
 * @returns {Uint8Array<ArrayBuffer>}
 */
function joined(parts) {
  const whole = new Uint8Array(parts.reduce((size, part) => size + part.length, 0));
  let place = 0;
  for (const part of parts) {
    whole.set(part, place);
    place += part.length;
  }
  return whole;
}
