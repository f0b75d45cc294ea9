/**
 * Keeps the app's own files, so that it opens without network. `self.KEPT` is set by the service: the version (a hash of
 * all files), the files with their hashes, the parcel of further files, and the pages. Answers of the interface are
 * never kept here.
 */

const PREFIX = "levelbook bench ";
const CACHE = PREFIX + self.KEPT.version;
const PARCEL = self.KEPT.parcel;
const FILES = new Set([...self.KEPT.assets, ...PARCEL.files].map(({ url }) => new URL(url, self.location).pathname));
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
 * Many modules in one answer, one after the other.
 * @param {Cache} cache
 */
async function unpack(cache) {
  const { url, integrity, files } = PARCEL;
  const content = await (await fetch(url, { integrity, cache: "no-store" })).arrayBuffer();
  const headers = { "Content-Type": "text/javascript; charset=utf-8" };
  let start = 0;
  const kept = files.map(({ url, size }) => cache.put(url, new Response(content.slice(start, (start += size)), { headers })));
  await Promise.all(kept);
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
