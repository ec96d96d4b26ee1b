// Questions about the clock, on the floor pages: asked when the floor is opened, after a press, and at closing time;
// otherwise quiet. An answer is sent at once; without a connection nothing is asked.
import { refresh } from "../../jobs/js/pack.js";
import { onQueue } from "../../jobs/js/taps.js";

const EVERY = 60_000; // ms between looks for closing time
const AFTER_PRESS = 700; // ms from when the presses were sent: the floor shows what they did first
const place = document.querySelector("[data-doubts]");
let tag = null;
let busy = false;
let waits = false;
const later = new Set(); // put off until the page is loaded anew, or something is pressed

const questions = (root) => [...root.querySelectorAll("[data-doubt]")].map((one) => one.dataset.doubt);

const put = (html, { onlyClosing = false } = {}) => {
  const fresh = document.createElement("template");
  fresh.innerHTML = html;
  const shown = questions(place);
  const asked = questions(fresh.content);
  if (shown.join() === asked.join() && shown.length) return; // somebody may be answering
  const closing = fresh.content.querySelector('[data-about="closing"], [data-about="night"]');
  if (onlyClosing && !shown.length && !closing) return;
  if (asked.length && asked.every((one) => later.has(one))) { place.replaceChildren(); return; }
  place.replaceChildren(fresh.content);
};

const look = async ({ onlyClosing = false } = {}) => {
  if (busy || !navigator.onLine || place.contains(document.activeElement)) return;
  busy = true;
  try {
    const headers = { "X-Part": "1" };
    if (tag) headers["If-None-Match"] = tag;
    const response = await fetch(place.dataset.doubtsUrl, { headers, credentials: "same-origin", cache: "no-store" });
    if (response.status !== 200 || response.redirected) return;
    if (!onlyClosing) tag = response.headers.get("ETag");
    put(await response.text(), { onlyClosing });
  } catch { /* no connection: nothing is asked */ } finally { busy = false; }
};

const answer = async (form, button) => {
  const body = new FormData(form, button);
  try {
    const response = await fetch(form.action, { method: "POST", body, headers: { "X-Part": "1" }, credentials: "same-origin" });
    if (!response.ok || response.redirected) throw new Error();
    const html = await response.text();
    tag = null;
    place.innerHTML = html;
    place.querySelector("button, a")?.focus();
    await refresh({ force: true }); // the page shows what the answer changed
  } catch {
    let said = form.querySelector("[role=alert]");
    if (!said) {
      said = Object.assign(document.createElement("p"), { className: "notice error" });
      said.setAttribute("role", "alert");
      form.prepend(said);
    }
    said.textContent = "The answer did not reach the server. Press again when there is a connection.";
  }
};

if (place) {
  const style = Object.assign(document.createElement("link"), { rel: "stylesheet", href: new URL("../css/doubts.css", import.meta.url).href });
  document.head.append(style);
  place.addEventListener("submit", (event) => {
    const form = event.target.closest("[data-doubt-answer]");
    if (!form) return;
    event.preventDefault();
    answer(form, event.submitter);
  });
  place.addEventListener("click", (event) => {
    if (!event.target.closest("[data-doubt-later]")) return;
    for (const one of questions(place)) later.add(one);
    place.replaceChildren();
  });
  onQueue(({ count }) => {
    if (waits && !count) setTimeout(() => { tag = null; later.clear(); look(); }, AFTER_PRESS);
    waits = count > 0;
  });
  setInterval(() => { if (!document.hidden) look({ onlyClosing: true }); }, EVERY);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  look();
}
