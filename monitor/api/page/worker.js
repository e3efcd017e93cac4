// Keeps the page's own files, so that the page opens without a network and can say that it has no news.
// Nothing of the barn is ever kept here: an old figure must not look like a fresh one.
const SHELL = [
  "/", "/manifest.webmanifest", "/page/style.css", "/page/start.js", "/page/first.js", "/page/words.js", "/page/answers.js", "/page/live.js",
  "/page/door.js", "/page/questions.js", "/page/drawing.js", "/page/charts.js", "/page/litter.js", "/page/uplot.js",
  "/page/uplot.css", "/page/icon.svg",
];
const KEPT = `shell-${VERSION}`;

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(SHELL)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const old = caches.keys().then((names) => Promise.all(names.filter((name) => name !== KEPT).map((name) => caches.delete(name))));
  event.waitUntil(old.then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const { pathname, origin } = new URL(event.request.url);
  if (event.request.method !== "GET" || origin !== self.location.origin || !SHELL.includes(pathname)) return;
  // The network first: after an update of the board the new page must not be hidden by the kept one.
  const late = new Promise((_, reject) => setTimeout(() => reject(new Error("late")), 3000));
  event.respondWith(
    Promise.race([fetch(event.request), late]).catch(async () => (await caches.match(pathname)) ?? fetch(event.request)),
  );
});
