// The service worker: the floor pages open without a connection, or where it is too slow to wait for.
// It keeps one release's files and a page without anybody's work in it; the work is in the device's own store.
const { version, shell, files, lasting } = {{ release|safe }};

const PREFIX = "lapwright-";
const FILES = `${PREFIX}files-${version}`;
const SHELL = `${PREFIX}shell-${version}`;
const PATIENCE = 2000; // ms for which the network may be silent
const FLOOR = /^\/floor\/(\d+\/|names\/)?$/;
const kept = new Set([...files, ...lasting]), never = new Set(lasting);
let left = 0; // log-outs
const fromShell = new Set(); // pages that were made from the kept one: they take the kept files too, which fit it

const keepFiles = async () => {
  const cache = await caches.open(FILES);
  await Promise.all([...kept].map(async (address) => {
    const answer = await fetch(address, { cache: "no-cache" });
    if (!answer.ok) throw new Error(`${address}: ${answer.status}`);
    await cache.put(address, answer);
  }));
};

// As the log-in of this moment gets it; a page of another release does not fit these files. The browser itself asks for
// that release after each visit. Were it asked here too, this worker might never be done, and the newer one wait for it.
const keepShell = async () => {
  const before = left;
  const answer = await fetch(shell, { credentials: "same-origin", cache: "no-store" });
  if (!answer.ok || answer.redirected) return;
  if (answer.headers.get("X-Release") !== version) return;
  const cache = await caches.open(SHELL);
  if (before === left) await cache.put(shell, answer); // else it is the page of somebody who has logged out since
};

self.addEventListener("install", (event) => {
  event.waitUntil(keepFiles().then(keepShell).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const old = (name) => name.startsWith(PREFIX) && name !== FILES && name !== SHELL;
  event.waitUntil(caches.keys()
    .then((names) => Promise.all(names.filter(old).map((name) => caches.delete(name))))
    .then(() => self.clients.claim()));
});

self.addEventListener("message", (event) => {
  if (event.data === "take over") self.skipWaiting();
  if (event.data === "shell") event.waitUntil(keepShell().catch(() => {}));
  if (event.data !== "forget") return;
  left += 1;
  event.waitUntil(caches.delete(SHELL));
});

const silent = () => new Promise((done) => { setTimeout(done, PATIENCE, null); });

// The network's answer, or what is kept where it fails or stays silent.
const fresh = async (request, find, bad = () => false) => {
  const network = fetch(request);
  network.catch(() => {});
  const answer = await Promise.race([network.catch(() => null), silent()]);
  if (answer && !bad(answer)) return answer;
  return await find() ?? network;
};

const page = (event) => fresh(event.request, async () => {
  const found = await caches.match(shell, { cacheName: SHELL });
  if (found) fromShell.add(event.resultingClientId);
  return found;
}, (answer) => answer.status >= 500);

const file = async (event, address) => {
  // Not by opening it: that would make it anew where a newer release has just removed it.
  const find = () => caches.match(address, { cacheName: FILES });
  if (!never.has(address) && !fromShell.has(event.clientId)) return fresh(event.request, find);
  return await find() ?? fetch(event.request);
};

self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request, { origin, pathname } = new URL(url);
  if (method !== "GET" || origin !== self.location.origin) return;
  if (mode === "navigate") {
    if (FLOOR.test(pathname)) event.respondWith(page(event));
  } else if (kept.has(pathname)) event.respondWith(file(event, pathname));
});
