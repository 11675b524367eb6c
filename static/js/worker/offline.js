// Part of the site's service worker: pages that were seen open without a network.
// Files with a hash in their name never change: kept. Others: the network first. Pages: the network first, else the
// last seen copy, marked as one, else the page that says so. Everything else goes its way. The last releases stay, so
// that a page kept before an update still finds its files.
// Copies are one person's: the server names on each page that may be kept whose it is. A page of another person, or
// signing out, ends them.
const FILES = `files-${self.BROODTIDE.release}`;
const PAGES = "pages-";
const PERSON = "X-Person";
const PAGES_KEPT = 80;
const RELEASES_KEPT = 3;
const PATIENCE_MS = { bench: 4_000, other: 12_000 };
const HASHED = /\.[0-9a-f]{12}\.\w+$/;
const BENCH_PAGE = /^\/bench\/\d+\/$/;
const SCORES = /^\/stock\/colonies\/(\d+)\/scores\/$/;
const SHEET = "/stock/score-sheet/"; // stands in for the sheet of one colony that it lists
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
  await cache.add(new Request(self.BROODTIDE.away, { cache: "no-cache", credentials: "omit" })); // nobody's page
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
  else if (request.mode === "navigate") event.respondWith(page(event, url));
});

// Who signs out leaves no page behind. Entries that were not sent stay until the same person signs in again.
async function forget(but) {
  await endCopies(but);
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

const copies = async () => (await caches.keys()).filter((name) => name.startsWith(PAGES));
const endCopies = async (but) => Promise.all((await copies()).map((name) => name === but || caches.delete(name)));

// The bench is one page whatever queen is shown; elsewhere what is asked for with the address belongs to it.
const keyOf = (url) => (BENCH_PAGE.test(url.pathname) ? url.pathname : url.pathname + url.search);

async function keep(url, answer) {
  const name = PAGES + answer.headers.get(PERSON);
  if ((await endCopies(name)).some((was) => was !== true)) await forget(name);
  const pages = await caches.open(name);
  await pages.put(keyOf(url), answer);
  const others = (await pages.keys()).filter((each) => !BENCH_PAGE.test(new URL(each.url).pathname));
  await Promise.all(others.slice(0, Math.max(0, others.length - PAGES_KEPT)).map((each) => pages.delete(each)));
}

async function copyOf(url) {
  const colony = SCORES.exec(url.pathname)?.[1];
  return (await lastSeen(url)) ?? (colony ? sheetOf(colony) : null);
}

// A long list of colonies goes by the page: of the sheets that were seen, one on which this colony can be chosen.
async function sheetOf(colony) {
  for (const name of await copies()) {
    for (const sheet of await (await caches.open(name)).matchAll(SHEET, { ignoreSearch: true })) {
      if ((await sheet.clone().text()).includes(`<option value="${colony}"`)) return marked(sheet);
    }
  }
  return null;
}

async function lastSeen(url) {
  for (const name of await copies()) {
    const pages = await caches.open(name);
    const have = (await pages.match(keyOf(url))) ?? (await pages.match(url.pathname, { ignoreSearch: true }));
    if (have) return marked(have);
  }
  return null;
}

async function marked(answer) {
  const text = await answer.text();
  return new Response(text.replace("<html", "<html data-copy"), { status: answer.status, headers: answer.headers });
}

async function page(event, url) {
  const asked = fetch(event.request).then((answer) => {
    // A redirect leads to the sign-in page: that is the answer, and the copy stays for the same person.
    const isOurs = answer.ok && !answer.redirected && answer.type === "basic" && answer.headers.has(PERSON);
    if (isOurs) event.waitUntil(keep(url, answer.clone()));
    return answer;
  });
  const instead = async () => (await copyOf(url)) ?? (await caches.match(self.BROODTIDE.away));
  const patience = BENCH_PAGE.test(url.pathname) ? PATIENCE_MS.bench : PATIENCE_MS.other;
  const late = new Promise((resolve) => setTimeout(resolve, patience)).then(async () => (await copyOf(url)) ?? asked);
  try {
    return await Promise.race([asked, late]);
  } catch (error) {
    const have = await instead();
    if (have) return have;
    throw error;
  }
}
