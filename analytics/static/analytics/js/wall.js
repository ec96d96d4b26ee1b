// The board on the wall: asks every second whether anything is new; an idle board hears 304. Lists show what fits.
import { tick } from "../../shop/js/ticking.js";

const EVERY = 1000; // ms between looks
const PATIENCE = 4000; // ms to wait for one answer
const AWAY = 5000; // ms without an answer after which it is said
const board = document.querySelector("[data-wall]");
const away = document.querySelector("[data-away]");
let tag = board.dataset.tag;
let heard = Date.now();
let problem = "";

// Hide what does not fit, from the end, and say how many more there are.
const fit = () => {
  const lists = [...board.querySelectorAll("[data-fit]")].reverse(); // what comes first gives way last
  for (const list of lists) for (const item of list.children) item.hidden = false;
  for (const list of lists) list.nextElementSibling.hidden = true;
  if (getComputedStyle(document.body).overflowY !== "hidden") return; // a phone: the page scrolls
  for (const list of lists) {
    const items = [...list.children];
    const more = list.nextElementSibling;
    const shown = () => items.filter((item) => !item.hidden).length;
    const section = list.closest("section");
    const over = () => list.scrollHeight > list.clientHeight + 1 || section.scrollHeight > section.clientHeight + 1;
    while (over() && shown() > 1) {
      items[shown() - 1].hidden = true;
      more.hidden = false;
      more.textContent = `and ${items.length - shown()} more`;
    }
  }
};

const put = (html) => {
  board.innerHTML = html;
  tick(board);
  fit();
};

const say = () => {
  const since = new Date(heard).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", second: "2-digit" });
  const text = problem || (Date.now() - heard > AWAY ? `No contact with the server since ${since}. What is shown is as it was then.` : "");
  if (away.textContent !== text) away.textContent = text;
  if (away.hidden !== !text) { away.hidden = !text; fit(); }
};

const look = async () => {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PATIENCE);
  try {
    const headers = { "X-Part": "1", "If-None-Match": tag };
    const response = await fetch(location.pathname, { headers, credentials: "same-origin", cache: "no-store", signal: stop.signal });
    if (response.redirected || response.status === 401 || response.status === 403) {
      problem = "This screen is logged out. Load the page again and log in.";
      return;
    }
    if (response.status !== 200 && response.status !== 304) return; // as good as away
    heard = Date.now();
    problem = "";
    if (response.status === 304) return;
    const html = await response.text();
    tag = response.headers.get("ETag");
    put(html);
  } catch { /* away: said after a while */ } finally {
    clearTimeout(timer);
    say();
  }
};

const run = async () => {
  if (!document.hidden) await look();
  setTimeout(run, EVERY);
};
document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
addEventListener("resize", fit);
document.fonts.ready.then(fit);
fit();
setTimeout(run, EVERY);
