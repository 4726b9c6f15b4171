// Keeps the last bedside page of one session, so that a reload without the network shows it with what is not yet saved.
//
// Its reach is its own folder: the run page of this session and nothing else. It keeps a page only where the server says
// so, which it does while the session runs, and drops it on any other answer: signed out, finished, closed, not found.
// What is sent and asked (enter, since) goes past it untouched.

const PAGE = new URL("./", self.location).pathname;
const NAME = `ebbline-run ${PAGE}`;
const LONGEST_KEPT_MS = 12 * 3600 * 1000; // as long as a sign-in lasts
const SLOW_MS = 8000;
const FILES = new Set(["script", "style", "font"]);

self.addEventListener("install", () => self.skipWaiting());

self.addEventListener("message", (event) => event.waitUntil(keepAll(event.data.keep ?? [])));

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== self.location.origin) return;
  if (request.mode === "navigate") {
    if (address.pathname === PAGE) event.respondWith(page(request));
  } else if (FILES.has(request.destination) && !address.pathname.endsWith("/keep.js")) event.respondWith(file(request));
});

async function keepAll(files) {
  const answer = await fetch(PAGE, { redirect: "manual" });
  await keepOrDrop(answer);
  if (!isKept(answer)) return;
  const kept = await caches.open(NAME);
  await Promise.all(files.map((name) => kept.add(name).catch(() => {})));
}

const isKept = (answer) => answer.ok && answer.headers.has("Ebbline-Keep");

async function keepOrDrop(answer) {
  if (!isKept(answer)) return caches.delete(NAME);
  const headers = new Headers(answer.headers);
  headers.set("Ebbline-Kept-At", String(Date.now()));
  const copy = new Response(await answer.clone().blob(), { headers });
  return (await caches.open(NAME)).put(PAGE, copy);
}

async function page(request) {
  let answer;
  try {
    answer = await Promise.race([fetch(request), tooLong()]);
    if (answer.status < 500) {
      await keepOrDrop(answer);
      return answer;
    }
  } catch {
    // no network: what was kept, below
  }
  return (await keptPage()) ?? answer ?? Response.error();
}

const tooLong = () => new Promise((_, fail) => setTimeout(() => fail(new Error("no answer")), SLOW_MS));

async function keptPage() {
  const found = await caches.match(PAGE, { cacheName: NAME });
  if (!found) return undefined;
  if (Date.now() - Number(found.headers.get("Ebbline-Kept-At")) < LONGEST_KEPT_MS) return found;
  await caches.delete(NAME);
  return undefined;
}

async function file(request) {
  try {
    return await fetch(request);
  } catch {
    return (await caches.match(request, { cacheName: NAME })) ?? Response.error();
  }
}
