// The site's service worker: pages that open without a network, and messages from the server.
if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/sw.js").catch(() => {
    document.documentElement.dataset.noWorker = ""; // private windows and plain http have none
  });
}
