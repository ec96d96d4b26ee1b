// Running times: [data-ticking] shows h:mm:ss from data-since (milliseconds since 1970) plus data-base-seconds.
// The server says what time it is in <html data-now>, so that a device whose clock is wrong still counts right.
export const clockText = (seconds) => {
  const whole = Math.max(0, Math.floor(seconds));
  const two = (value) => String(value).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
};
// Milliseconds by which this device's clock is ahead of the server's. A page out of a cache says an old time: then
// what the last fresh page showed holds.
const aheadOfServer = () => {
  const visit = performance.getEntriesByType("navigation")[0];
  const said = Number(document.documentElement.dataset.now);
  try {
    if (!said || !visit?.transferSize || visit.type === "back_forward") return Number(sessionStorage.getItem("ahead")) || 0;
    const ahead = Math.round(performance.timeOrigin + visit.responseStart - said - 500); // said in whole seconds
    sessionStorage.setItem("ahead", String(ahead));
    return ahead;
  } catch { return 0; }
};
let ahead = aheadOfServer();
// Milliseconds by which the device's clock is ahead, where a page has measured it better.
export const putRight = (ms) => { ahead = ms; tick(); };
export const serverNow = () => Date.now() - ahead;
export const tick = (root = document, now = serverNow()) => {
  for (const place of root.querySelectorAll("[data-ticking]")) {
    const since = Number(place.dataset.since), base = Number(place.dataset.baseSeconds ?? 0);
    const text = clockText(base + (place.dataset.since && Number.isFinite(since) ? (now - since) / 1000 : 0));
    if (place.textContent !== text) place.textContent = text;
  }
};
tick();
setInterval(() => tick(), 500);
document.addEventListener("visibilitychange", () => { if (!document.hidden) tick(); });
