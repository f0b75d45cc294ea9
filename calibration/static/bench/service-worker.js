/**
 * Keeps the app's own files, so that it opens without network. `self.KEPT` is set by the service: the version (a hash of
 * all files), the files with their hashes, the parcel of further files, and the pages. Answers of the interface are
 * never kept here.
 */

const PREFIX = "levelbook bench ";
const CACHE = PREFIX + self.KEPT.version;
const PARCEL = self.KEPT.parcel;
const KEPT_FILES = [...self.KEPT.assets, ...PARCEL.files].map(({ url }) => url);
const FILES = new Set([...KEPT_FILES, PARCEL.rest].map((url) => new URL(url, self.location).pathname));
const [PAGE, ...OTHER_PAGES] = self.KEPT.pages;
const PAGES = new Set(OTHER_PAGES);

self.addEventListener("install", (event) => event.waitUntil(install()));
self.addEventListener("activate", (event) => event.waitUntil(takeOver()));
self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const { origin, pathname } = new URL(url);
  if (method !== "GET" || origin !== self.location.origin) return;
  if (mode === "navigate" && pathname === PAGE) event.respondWith(kept(event.request, PAGE));
  else if (FILES.has(pathname) || PAGES.has(pathname)) event.respondWith(kept(event.request, pathname));
});

/** All or nothing: a file that is not what the list says (a release is under way) ends the installation. */
async function install() {
  const cache = await caches.open(CACHE);
  const files = self.KEPT.assets.map(async (file) => cache.put(file.url, await fetched(file)));
  const pages = self.KEPT.pages.map((url) => new Request(url, { cache: "no-cache" }));
  await Promise.all([...files, unpack(cache), cache.addAll(pages)]);
  await self.skipWaiting();
}

/**
 * The page has most of them just fetched; what the browser still has of an earlier release is fetched anew.
 * @param {{url: string, integrity: string}} file
 */
async function fetched({ url, integrity }) {
  return fetch(url, { integrity }).catch(() => fetch(url, { integrity, cache: "reload" }));
}

/**
 * Many modules in one answer, one after the other, and behind them the texts. These are in the language that this answer
 * is in, which may be another than that of the list, so that no hash is known of them.
 * @param {Cache} cache
 */
async function unpack(cache) {
  const { url, files, integrity, rest } = PARCEL;
  const content = await (await fetch(url, { cache: "no-store" })).arrayBuffer();
  const end = files.reduce((sum, { size }) => sum + size, 0);
  if ((await integrityOf(content.slice(0, end))) !== integrity) throw new Error("The parcel is not what the list says.");
  const headers = { "Content-Type": "text/javascript; charset=utf-8" };
  let start = 0;
  const kept = [...files, { url: rest, size: content.byteLength - end }].map((each) =>
    cache.put(each.url, new Response(content.slice(start, (start += each.size)), { headers })),
  );
  await Promise.all(kept);
}

/**
 * As in Subresource Integrity.
 * @param {ArrayBuffer} content
 */
async function integrityOf(content) {
  const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", content));
  return `sha256-${btoa(String.fromCharCode(...digest))}`;
}

async function takeOver() {
  const names = await caches.keys();
  const old = names.filter((name) => name.startsWith(PREFIX) && name !== CACHE);
  await Promise.all(old.map((name) => caches.delete(name)));
  await self.clients.claim();
}

/**
 * As kept, without making a cache anew that the next version has cleared away.
 * @param {Request} request
 * @param {string} url
 */
async function kept(request, url) {
  return (await caches.match(url, { cacheName: CACHE, ignoreVary: true })) ?? fetch(request);
}
