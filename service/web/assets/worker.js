// Keeps the shell and the pages one works with, and gives them out when there is no network.
const SHELL = ["SHELL"];
const FILES = "files-" + "VERSION", PAGES = "pages";
const KEPT = /^\/(?:houses\/\d+(?:\/today)?|batches\/\d+|scan|unsent)$/;
const MOST = 80, FRESH_MS = 10 * 60_000;

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const files = await caches.open(FILES);
    await files.addAll([...SHELL, "/offline"]);
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) {
      if (name.startsWith("files-") && name !== FILES) await caches.delete(name);
    }
    await self.clients.claim();
  })());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== location.origin) return;
  if (address.pathname.startsWith("/assets/")) event.respondWith(file(request));
  else if (request.mode === "navigate") event.respondWith(page(request, address));
});

async function file(request) {
  const kept = await caches.match(request);
  return kept ?? fetch(request);
}

async function page(request, address) {
  try {
    const answer = await fetch(request);
    if (KEPT.test(address.pathname) && answer.ok && !answer.redirected) await put(address.pathname, answer.clone());
    return answer;
  } catch {
    const pages = await caches.open(PAGES);
    return (await pages.match(address.pathname)) ?? (await caches.match("/offline"));
  }
}

async function put(path, answer) {
  const pages = await caches.open(PAGES);
  await pages.put(path, answer); // at the end of the list; what was there stays until all of the new one has come
  const known = await pages.keys();
  for (const old of known.slice(0, Math.max(0, known.length - MOST))) await pages.delete(old);
}

self.addEventListener("message", (event) => {
  if (event.data?.forget) event.waitUntil(caches.delete(PAGES));
  if (Array.isArray(event.data?.keep)) event.waitUntil(keeping = keeping.then(() => keep(event.data.keep.slice(0, MOST))));
});

let keeping = Promise.resolve();

// One after another, so that a slow line is left to the person.
async function keep(paths) {
  const pages = await caches.open(PAGES);
  for (const path of paths) {
    if (!KEPT.test(path)) continue;
    const there = await pages.match(path);
    const age = there ? Date.now() - Date.parse(there.headers.get("date") ?? 0) : Infinity;
    if (age < FRESH_MS) continue;
    const answer = await fetch(path, { credentials: "same-origin" }).catch(() => null);
    if (!answer) return;
    if (answer.ok && !answer.redirected) await put(path, answer);
  }
}
