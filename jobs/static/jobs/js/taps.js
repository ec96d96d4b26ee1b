// The device's own queue of taps: kept until the server has answered for each, sent by one sender at a time.
const KEY = "lapwright.taps";
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

export const add = (tap) => keep([...waiting(), tap]);

let sending = null;
// Sends what waits. Gives the server's answer, or throws with a message for the person; nothing is lost either way.
export const send = (token) => (sending ??= flush(token).finally(() => { sending = null; }));

const flush = async (token) => {
  const taps = waiting().slice(0, 500);
  if (!taps.length) return null;
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
  if (response.status === 403) throw new Error("The log-in has ended or may not clock. Log in again; the taps are kept.");
  if (!response.ok) throw new Error(answer?.detail ?? `The server answered ${response.status}.`);
  const done = new Set(answer.results.map((result) => result.id));
  keep(waiting().filter((tap) => !done.has(tap.id)));
  return answer;
};
