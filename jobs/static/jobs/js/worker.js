// The service worker is asked for where the browser has one: only at a secure address. Everything else works without.
const AGAIN = 2000; // ms

// Where a page fetches something just as a newer worker takes over, a browser gives that up, and no page opens any more
// until it is asked again. A page that is being left asks too, until the next one is there.
const seeThrough = (registration) => {
  setInterval(() => registration.waiting?.postMessage("take over"), AGAIN);
};

const begin = async () => {
  await navigator.serviceWorker.register("/sw.js", { scope: "/", updateViaCache: "none" });
  const registration = await navigator.serviceWorker.ready;
  seeThrough(registration);
  // As this log-in gets it now; a newer worker has it already.
  if (!registration.installing && !registration.waiting) registration.active?.postMessage("shell");
};

const follow = async () => {
  const registration = await navigator.serviceWorker.getRegistration();
  if (registration) seeThrough(registration);
};

if (navigator.serviceWorker) {
  const work = document.querySelector("[data-floor]") ? begin : follow;
  if (document.readyState === "complete") work().catch(() => {});
  else addEventListener("load", () => work().catch(() => {}), { once: true });
}
