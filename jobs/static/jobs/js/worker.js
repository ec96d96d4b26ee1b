// The service worker is asked for where the browser has one: only at a secure address. Everything else works without.
const begin = async () => {
  await navigator.serviceWorker.register("/sw.js", { scope: "/", updateViaCache: "none" });
  const { active } = await navigator.serviceWorker.ready;
  active?.postMessage("shell"); // as this log-in gets it now
};

if (navigator.serviceWorker && document.querySelector("[data-floor]")) {
  if (document.readyState === "complete") begin().catch(() => {});
  else addEventListener("load", () => begin().catch(() => {}), { once: true });
}
