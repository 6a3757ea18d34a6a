// What this page needs when the server is away: its own files, and the answers that were seen last.
//
// The server is always asked first. An answer from here carries the moment it was seen, so that the page can say so.
// Changes never pass through: the page keeps those itself and sends them under their keys.

const SHELL = "valuer-files";
const SEEN = "valuer-seen";
const MOST_SEEN = 400;
const QUESTIONS = /^\/v1\/(valuations|bench-plans|bench-rankings|work-lists|asking-prices|offers|listings|purchase-limits|repair-quotes)$/;
const NEVER = /^\/v1\/(entrance|devices|backups|export)|^\/health$/;

self.addEventListener("install", (event) => {
  event.waitUntil(keepFiles().then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

async function keepFiles() {
  const files = await (await fetch("/page/files.json", { cache: "no-cache" })).json();
  await (await caches.open(SHELL)).addAll(["/", ...files]);
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (origin !== self.location.origin || NEVER.test(pathname)) return;
  if (request.method === "GET" && (pathname === "/" || pathname.startsWith("/page/"))) event.respondWith(first(request, request, SHELL));
  else if (request.method === "GET" && /^\/(v1\/|openapi\.json)/.test(pathname)) event.respondWith(first(request, request, SEEN));
  else if (request.method === "POST" && QUESTIONS.test(pathname)) event.respondWith(question(request));
});

/** A question is known by what it asks. */
async function question(request) {
  const asked = await crypto.subtle.digest("SHA-256", await request.clone().arrayBuffer());
  const name = [...new Uint8Array(asked)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return first(request, `${request.url}?asked=${name}`, SEEN);
}

/** The server's answer, kept; the one that was kept where there is none. */
async function first(request, name, where) {
  const kept = await caches.open(where);
  try {
    const answer = await fetch(request);
    if (answer.status === 401) await caches.delete(SEEN); // shut out: nothing of the records stays here
    if (answer.ok) {
      const copy = new Headers(answer.headers);
      copy.set("Valuer-Seen", new Date().toISOString());
      await kept.put(name, new Response(await answer.clone().blob(), { status: answer.status, headers: copy }));
      if (where === SEEN) await forgetOldest(kept);
    }
    return answer;
  } catch (error) {
    const seen = await kept.match(name, { ignoreVary: true });
    if (seen) return seen;
    throw error;
  }
}

async function forgetOldest(kept) {
  const names = await kept.keys();
  for (const name of names.slice(0, Math.max(0, names.length - MOST_SEEN))) await kept.delete(name);
}
