// The board on the wall: asks every second whether anything is new; an idle board hears 304. Lists show what fits.
import { tick } from "../../shop/js/ticking.js";
import { keepLooking } from "./looking.js";

const EVERY = 1000; // ms between looks
const AWAY = 5000; // ms without an answer after which it is said
const board = document.querySelector("[data-wall]");
const away = document.querySelector("[data-away]");

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

keepLooking({
  every: EVERY,
  away: AWAY,
  tag: board.dataset.tag,
  put,
  say: (text) => {
    if (away.textContent !== text) away.textContent = text;
    if (away.hidden !== !text) { away.hidden = !text; fit(); }
  },
});
addEventListener("resize", fit);
document.fonts.ready.then(fit);
fit();
