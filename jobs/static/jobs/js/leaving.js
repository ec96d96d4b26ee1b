// Logging out takes the shop's work off the device, unless taps wait there: those stay until somebody logs in again.
import { forget, open, waitingTaps } from "./store.js";

const SHOP = "lapwright.shop"; // whose floor pages were last open here
const LONGEST = 3000; // ms that a log-out waits for taps to be sent
const { user, shop: here } = document.documentElement.dataset;

const within = (work) => Promise.race([work, new Promise((done) => { setTimeout(done, LONGEST); })]);

const clear = async () => {
  const names = globalThis.caches ? await caches.keys() : [];
  await Promise.all(names.filter((name) => name.startsWith("lapwright-shell")).map((name) => caches.delete(name)));
  navigator.serviceWorker?.controller?.postMessage("forget");
  const shop = localStorage.getItem(SHOP);
  if (!shop) return;
  await open(shop);
  if (await forget()) localStorage.removeItem(SHOP);
};

const sendFirst = async () => {
  const shop = localStorage.getItem(SHOP);
  if (!shop || shop !== here) return; // another shop's taps wait for a log-in to that shop: this one would refuse them
  await open(shop);
  if (!(await waitingTaps()).length) return;
  const taps = await import("./taps.js");
  await taps.whenReady;
  await taps.sendNow();
};

const leave = async (form) => {
  try {
    await within(sendFirst());
    await within(clear());
  } catch { /* a browser that keeps nothing has nothing to forget */ }
  form.submit();
};

const form = document.querySelector("form[data-log-out]");
form?.addEventListener("submit", (event) => {
  event.preventDefault();
  leave(form);
}, { once: true });
if (!user) clear().catch(() => {});
