// Which shop and log-in this page is of, and what its tabs tell one another.
const place = document.querySelector("[data-shop]");

export const shop = place?.dataset.shop ?? "";
try { localStorage.setItem("lapwright.shop", shop); } catch { /* a browser that keeps nothing */ } // for the log-out

export const newId = () => {
  if (globalThis.crypto?.randomUUID) return crypto.randomUUID();
  // Not a secure origin: made from random bytes, version 4 of RFC 9562.
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-${hex.slice(12, 16)}-${hex.slice(16, 20)}-${hex.slice(20)}`;
};

// This page, as long as it lives.
export const page = newId();

// The device's own name, the same on every page of it.
export const device = () => {
  try {
    let name = localStorage.getItem("lapwright.device");
    if (!name) localStorage.setItem("lapwright.device", (name = newId()));
    return name;
  } catch { return page; }
};

const channel = globalThis.BroadcastChannel && new BroadcastChannel(`lapwright-${shop}`);

// what: "queue" or "pack" has changed. Heard by the shop's other tabs, not by this one.
export const tellTabs = (what) => channel?.postMessage(what);
export const onTabs = (what, callback) => channel?.addEventListener("message", (event) => { if (event.data === what) callback(); });

// A fetch that ends: a connection that is neither there nor gone holds nobody up.
export const ask = async (address, options = {}, limit = 20000) => {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), limit);
  try {
    const answer = await fetch(address, { credentials: "same-origin", cache: "no-store", signal: stop.signal, ...options });
    return { answer, body: await answer.text() };
  } finally { clearTimeout(timer); }
};
