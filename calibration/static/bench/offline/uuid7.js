/**
 * A UUID of version 7 (RFC 9562, section 5.7): 48 bits of time, 74 of chance.
 * @param {number} [now] ms since 1970
 * @param {Uint8Array} [chance] 16 bytes
 * @returns {string}
 */
export function uuid7(now = Date.now(), chance = crypto.getRandomValues(new Uint8Array(16))) {
  const bytes = Uint8Array.from(chance);
  const view = new DataView(bytes.buffer);
  view.setUint16(0, Math.floor(now / 2 ** 32));
  view.setUint32(2, now % 2 ** 32);
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}
