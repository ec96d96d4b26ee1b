// The device's own queue of taps: kept until the server has answered for each, sent by one sender at a time.
// A shop has a queue of its own, so that no tap is sent to another.
const KEY = `lapwright.taps.${document.querySelector("[data-shop]")?.dataset.shop ?? ""}`;
const DEVICE_KEY = "lapwright.device";

export const newId = () => {
  if (globalThis.crypto?.randomUUID) return crypto.randomUUID();
  // Not a secure origin: made from random bytes, version 4 of RFC 9562.
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-${hex.slice(12, 16)}-${hex.slice(16, 20)}-${hex.slice(20)}`;
};

const device = () => {
  let name = localStorage.getItem(DEVICE_KEY);
  if (!name) localStorage.setItem(DEVICE_KEY, (name = newId()));
  return name;
};

export const waiting = () => {
  try { return JSON.parse(localStorage.getItem(KEY) ?? "[]"); } catch { return []; }
};
const keep = (taps) => localStorage.setItem(KEY, JSON.stringify(taps));

// Throws where the device keeps nothing.
export const add = (tap) => keep([...waiting(), tap]);

let sending = null;
// Sends what waits. Gives the server's results, or throws with a message for the person; nothing is lost either way.
export const send = (token) => (sending ??= flush(token).finally(() => { sending = null; }));

const flush = async (token) => {
  const results = [];
  for (let taps = waiting(); taps.length; taps = waiting()) {
    const answered = await post(token, taps.slice(0, 500));
    const done = new Set(answered.map((result) => result.id));
    keep(waiting().filter((tap) => !done.has(tap.id)));
    results.push(...answered);
  }
  return results;
};

const post = async (token, taps) => {
  let response;
  try {
    response = await fetch("/api/v1/taps", {
      method: "POST",
      credentials: "same-origin",
      headers: { "Content-Type": "application/json", "X-CSRFToken": token },
      body: JSON.stringify({ sent_at: new Date().toISOString(), device: device(), taps }),
    });
  } catch {
    throw new Error("No connection.");
  }
  const answer = await response.json().catch(() => null);
  if (response.status === 403) throw new Error("The log-in has ended or may not clock. Load this page again to log in.");
  if (response.status === 400 && taps.length > 1) return post(token, taps.slice(0, 1)); // one that cannot be read holds up no other
  if (response.status === 400) return [{ id: taps[0].id, status: "refused", problem: { detail: answer?.detail ?? "It cannot be read." } }];
  if (!response.ok || !Array.isArray(answer?.results)) throw new Error(answer?.detail ?? `The server answered ${response.status}.`);
  return answer.results;
};
