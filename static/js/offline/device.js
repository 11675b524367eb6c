// What any page asks of its device: room for the next entry, and to be there again without a network.
const FULL_SHARE = 0.9;

// Keeps the entry; a full device first gives up what the server has confirmed of other logs. Null: it was not kept.
export async function keepOrMakeRoom(store, entry) {
  try {
    return await store.keep(entry);
  } catch (error) {
    if (error?.name !== "QuotaExceededError") throw error;
  }
  await store.makeRoom(entry.session);
  try {
    return await store.keep(entry);
  } catch {
    return null;
  }
}

export async function isNearlyFull() {
  await navigator.storage?.persist?.();
  const { usage = 0, quota = Infinity } = (await navigator.storage?.estimate?.()) ?? {};
  return usage / quota > FULL_SHARE;
}

// Whoever has sent the page's form is about to leave it: what it showed may be gone by then.
let isLeft = false;
addEventListener("beforeunload", () => {
  isLeft = true;
});

// The worker keeps the pages it loads. One that came before the worker was there is kept here, unless it holds a secret:
// the server names the person on pages that may be kept.
export async function keepPage(person) {
  if (!("serviceWorker" in navigator) || document.documentElement.dataset.copy !== undefined) return;
  await navigator.serviceWorker.ready;
  const pages = await caches.open(`pages-${person}`);
  if (!isLeft && !(await pages.match(location.href, { ignoreSearch: true }))) {
    const answer = await fetch(location.href, { redirect: "error", cache: "force-cache" }); // it has just been loaded
    if (answer.ok && answer.headers.has("X-Person")) await pages.put(location.pathname + location.search, answer);
    else await answer.body?.cancel();
  }
  document.documentElement.dataset.pageKept = "";
}
