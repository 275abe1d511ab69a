// Keeps the station page in the browser, so that it opens with the server gone: Stop run, taps and
// status then go to the machine's own worker. What is kept is the page as nobody in particular sees
// it, fetched without credentials: no name of a person and no session stays on the device.
"use strict";
const shelf = "station v1";
const patience = 4000; // how long the server may be silent, in ms
const station = /^\/station\/[0-9a-f-]{36}$/;
const parts = /"(\/static\/[^"]+)"/g; // what a page is made of: scripts and styles by their version

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (e) => e.waitUntil(self.clients.claim()));

async function keep(path) {
  const page = await fetch(path, { credentials: "omit", cache: "no-store" });
  if (!page.ok || page.redirected) return;
  const cache = await caches.open(shelf);
  const html = await page.clone().text();
  const needed = new Set(Array.from(html.matchAll(parts), (m) => m[1]));
  await Promise.all(Array.from(needed, async (part) => { if (!(await cache.match(part))) await cache.add(part); }));
  await cache.put(path, page); // last: a kept page is whole
  for (const request of await cache.keys()) {
    const at = new URL(request.url);
    if (station.test(at.pathname) && at.pathname !== path) {
      const other = await (await cache.match(request)).text();
      for (const m of other.matchAll(parts)) needed.add(m[1]);
    }
  }
  for (const request of await cache.keys()) {
    const at = new URL(request.url);
    if (!station.test(at.pathname) && !needed.has(at.pathname + at.search)) await cache.delete(request);
  }
}

// With the server silent or in trouble the kept page is shown; without one, what the server says.
async function page(request, path) {
  const kept = await (await caches.open(shelf)).match(path);
  if (!kept) return fetch(request);
  const silence = new Promise((_, fail) => setTimeout(fail, patience, new Error("no answer")));
  try {
    const answer = await Promise.race([fetch(request), silence]);
    return answer.status >= 500 ? kept : answer;
  } catch {
    return kept;
  }
}

self.addEventListener("fetch", (e) => {
  const at = new URL(e.request.url);
  if (e.request.method !== "GET" || at.origin !== self.location.origin) return;
  if (e.request.mode === "navigate" && station.test(at.pathname)) e.respondWith(page(e.request, at.pathname));
  else if (at.pathname.startsWith("/static/")) {
    e.respondWith(caches.open(shelf).then((cache) => cache.match(e.request)).then((kept) => kept || fetch(e.request)));
  }
});

self.addEventListener("message", (e) => {
  if (station.test(e.data)) e.waitUntil(keep(e.data).catch(() => { /* the one before stays */ }));
});
