/** Which screen the address asks for: `#/name/rest/…`. */

/** @typedef {import("./context.js").Route} Route */

const FIRST = "today";

/**
 * @param {string} hash
 * @returns {Route}
 */
export function routeOf(hash) {
  const [name, ...rest] = hash.replace(/^#\/?/, "").split("/").filter(Boolean).map(decoded);
  return { name: name ?? FIRST, rest };
}

/**
 * The hash of a screen; each part is encoded.
 * @param {string} name
 * @param {string[]} rest
 */
export function hashOf(name, ...rest) {
  return `#/${[name, ...rest].map(encodeURIComponent).join("/")}`;
}

/** @param {string} part */
function decoded(part) {
  try {
    return decodeURIComponent(part);
  } catch {
    return part; // no percent-encoding: taken as it stands
  }
}
