// Part of the site's service worker: shows the messages that the server sends. They carry no names and no dates:
// what is due is read in the app, by whoever is signed in there.
self.addEventListener("push", (event) => {
  event.waitUntil(show(event));
});

async function show(event) {
  let words = {};
  try {
    words = event.data?.json() ?? {};
  } catch {
    words = {}; // not ours, or broken on its way: something is due all the same
  }
  await self.registration.showNotification(words.title ?? "Broodtide", {
    body: words.body ?? "",
    tag: words.tag ?? "broodtide", // a later message about the same thing takes the place of the earlier one
    renotify: Boolean(words.tag && words.again),
    icon: "/static/icon-192.png",
    data: { url: local(words.url) },
  });
}

// Never to another site, whatever a message says.
function local(url) {
  return typeof url === "string" && url.startsWith("/") && !url.startsWith("//") ? url : "/reminders/";
}

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(open(event.notification.data.url));
});

async function open(url) {
  const windows = await self.clients.matchAll({ type: "window", includeUncontrolled: true });
  for (const one of windows) {
    if (new URL(one.url).pathname === url && "focus" in one) return one.focus();
  }
  return self.clients.openWindow(url);
}
