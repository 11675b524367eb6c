// Part of the site's service worker: the bench opens without a network after one visit.
// Files with a hash in their name never change: kept. Others: the network first. Pages of the bench: the network
// first, else the last copy. Everything else goes its way. The last releases stay, so that a page kept before an
// update still finds its files.
const FILES = `files-${self.BROODTIDE.release}`;
const PAGES = "bench-pages";
const RELEASES_KEPT = 3;
const PATIENCE_MS = 4_000;
const HASHED = /\.[0-9a-f]{12}\.\w+$/;
const BENCH_PAGE = /^\/bench\/\d+\/$/;
const SIGN_OUT = /\/sign-out\/$/;

self.addEventListener("install", (event) => {
  event.waitUntil(fill());
});

async function fill() {
  const cache = await caches.open(FILES);
  await Promise.all(
    self.BROODTIDE.shell.map(async (url) => {
      const have = HASHED.test(url) && (await caches.match(url));
      if (have) await cache.put(url, have);
      else await cache.add(new Request(url, { cache: "no-cache" }));
    }),
  );
  await self.skipWaiting();
}

self.addEventListener("activate", (event) => {
  event.waitUntil(settle());
});

async function settle() {
  const old = (await caches.keys()).filter((name) => name.startsWith("files-") && name !== FILES);
  await Promise.all(old.slice(0, Math.max(0, old.length + 1 - RELEASES_KEPT)).map((name) => caches.delete(name)));
  await self.clients.claim();
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method === "POST" && SIGN_OUT.test(url.pathname)) event.waitUntil(forget());
  if (request.method !== "GET") return;
  if (url.pathname.startsWith("/static/")) event.respondWith(HASHED.test(url.pathname) ? kept(request) : fresh(request));
  else if (request.mode === "navigate" && BENCH_PAGE.test(url.pathname)) event.respondWith(page(request, url.pathname));
});

// Who signs out leaves no page behind. Entries that were not sent stay until the same person signs in again.
async function forget() {
  await caches.delete(PAGES);
  await new Promise((resolve) => {
    const request = indexedDB.open("broodtide-bench");
    request.onupgradeneeded = () => request.transaction.abort();
    request.onerror = () => resolve();
    request.onsuccess = () => {
      const db = request.result;
      const transaction = db.transaction("sessions", "readwrite");
      transaction.objectStore("sessions").clear();
      transaction.oncomplete = transaction.onabort = () => {
        db.close();
        resolve();
      };
    };
  });
}

async function kept(request) {
  const have = await caches.match(request.url);
  if (have) return have;
  const answer = await fetch(request);
  if (answer.ok) await (await caches.open(FILES)).put(request.url, answer.clone());
  return answer;
}

async function fresh(request) {
  try {
    const answer = await fetch(request);
    if (answer.ok) await (await caches.open(FILES)).put(request.url, answer.clone());
    return answer;
  } catch (error) {
    const have = await caches.match(request.url);
    if (have) return have;
    throw error;
  }
}

async function page(request, path) {
  const pages = await caches.open(PAGES);
  const asked = fetch(request).then(async (answer) => {
    // A redirect leads to the sign-in page: that is the answer, and the copy stays for the same person.
    if (answer.ok && !answer.redirected && answer.type === "basic") await pages.put(path, answer.clone());
    return answer;
  });
  const have = await pages.match(path);
  if (!have) return asked;
  const late = new Promise((resolve) => setTimeout(() => resolve(have.clone()), PATIENCE_MS));
  return Promise.race([asked.catch(() => have.clone()), late]);
}
