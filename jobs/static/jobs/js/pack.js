// The pack: all that the floor pages show of the shop, kept on the device and asked for again only when it changed.
import { learn, mark, trust } from "./clock.js";
import { ask, onTabs, shop, tellTabs } from "./device.js";
import * as store from "./store.js";

const PACK = "/floor/pack.json";
const listeners = new Set();
let kept = null; // {pack, tag}
let running = null;
export let loggedOut = false; // the server gave no pack to this log-in when it was last asked
export let whyOut = ""; // and what it said of that

export const current = () => kept?.pack ?? null;

// callback(pack, asked): at once if there is one, then with each new one, from other tabs too. asked: performance.now()
// when this page asked for it; -1 where it did not.
export const onPack = (callback) => {
  listeners.add(callback);
  if (kept) callback(kept.pack, -1);
};
const tell = (asked = -1) => { for (const callback of listeners) callback(kept.pack, asked); };

// Opens what the device keeps. Another log-in's pack is not shown.
const load = async () => {
  const found = await store.loadPack();
  const user = document.documentElement.dataset.user;
  if (!found || String(found.pack.shop.id) !== shop || (user && String(found.pack.user.id) !== user)) return;
  if (kept && kept.pack.shop.revision > found.pack.shop.revision) return;
  kept = found;
  tell();
};

export const whenReady = store.open(shop).then(async () => {
  trust(await store.recall("clock"));
  await load();
}).catch(() => { /* what cannot be read is asked for */ });
onTabs("pack", load);

// force: even if nothing changed, as for a new token. Gives false where this log-in gets none, and throws where the server
// cannot be asked.
export const refresh = async ({ force = false } = {}) => {
  if (running && !force) return running;
  const before = running?.catch(() => {}) ?? null;
  const mine = (before ? before.then(() => fetchPack(force)) : fetchPack(force)).finally(() => { if (running === mine) running = null; });
  running = mine;
  return mine;
};

const fetchPack = async (force) => {
  await whenReady;
  const headers = kept && !force ? { "If-None-Match": `"${kept.tag}"` } : {};
  const begun = mark();
  const { answer, body } = await ask(PACK, { headers }).catch(() => { throw new Error("No connection."); });
  const tag = (answer.headers.get("ETag") ?? "").replace(/^W\//, "").replaceAll('"', "");
  const offset = learn(begun, answer.headers.get("X-Now"), answer.headers.get("X-Done"));
  if (offset) await store.remember("clock", offset).catch(() => {});
  if (answer.status === 304) { kept.tag = tag; loggedOut = false; return true; }
  if (answer.status >= 500) throw new Error("No connection to the server.");
  const given = answer.status === 200 && !answer.redirected ? parsed(body) : null;
  const found = String(given?.shop?.id) === shop ? given : null; // else a log-in of another shop has taken this browser over
  loggedOut = !found;
  whyOut = found ? "" : parsed(body)?.detail ?? "";
  if (found) await take({ pack: found, tag }, begun.steady);
  return Boolean(found);
};

const parsed = (body) => { try { return JSON.parse(body); } catch { return null; } };

const take = async (fresh, asked) => {
  kept = fresh;
  await store.savePack(fresh).catch(() => { /* full: it is shown all the same */ });
  tell(asked);
  tellTabs("pack");
};
