// Keeps the page on the phone, so that it opens without a network once it was loaded over https: the page, and nothing else.
// What is kept opens first; where the computer is in reach, a newer page is kept for the next time.

const PAGES = "browse pocket pages 1";

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", event => event.waitUntil(self.clients.claim()));

self.addEventListener("message", event => {
  event.waitUntil(keepAnew(event.source.url).then(() => "", problem => String(problem.message)).then(said => event.ports[0].postMessage(said)));
});

self.addEventListener("fetch", event => {
  if (event.request.mode !== "navigate" || event.request.method !== "GET") return;
  const address = event.request.url;
  event.respondWith(kept(address).then(page => {
    if (!page) return fetch(event.request);
    event.waitUntil(keepAnew(address).catch(() => {}));
    return page;
  }));
});

async function kept(address) {
  return (await caches.open(PAGES)).match(address, {ignoreVary: true});
}

async function keepAnew(address) {
  const page = await fetch(address, {cache: "no-cache", redirect: "error"});
  // a login or a code that is asked for again is no page
  if (!page.ok || page.headers.get("x-pocket-page") === null) throw new Error(`the computer answered ${page.status}`);
  await (await caches.open(PAGES)).put(address, page);
}
