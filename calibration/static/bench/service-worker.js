/**
 * Keeps the app's own files, so that it opens without network. `self.KEPT` is set by the service: the version (a hash of
 * all files), the files with their hashes, and the pages. Answers of the interface are never kept here.
 */

const PREFIX = "levelbook bench ";
const CACHE = PREFIX + self.KEPT.version;
const FILES = new Set(self.KEPT.assets.map(({ url }) => new URL(url, self.location).pathname));
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
  const files = self.KEPT.assets.map(({ url, integrity }) => new Request(url, { cache: "reload", integrity }));
  const pages = self.KEPT.pages.map((url) => new Request(url, { cache: "reload" }));
  await cache.addAll([...files, ...pages]);
  await self.skipWaiting();
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
