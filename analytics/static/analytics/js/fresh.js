// A page that keeps itself up to date: [data-fresh], whose value is the tag of what it shows, takes the new state by
// itself. Focus, the place in the page and in its panes, and what was folded out stay. It waits while somebody drags,
// types, marks text or answers a question. A changed [data-news] is read out; what hangs on the old elements hears "fresh".
import { keepLooking } from "./looking.js";

const EVERY = 5000; // ms between looks
const AWAY = 20000; // ms without an answer after which it is said
const place = document.querySelector("[data-fresh]");
const away = document.querySelector("[data-away]");
const live = document.querySelector("[data-live]");

let pressed = false;
place.addEventListener("pointerdown", () => { pressed = true; });
for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => { pressed = false; }, true);
const isTyped = (field) => {
  if (field.type === "hidden") return false;
  if (field.tagName === "SELECT") return [...field.options].some((one) => one.selected !== one.defaultSelected) && field.selectedIndex > 0;
  return field.value !== field.defaultValue || field.checked !== field.defaultChecked;
};
const isInHand = () => {
  const marked = getSelection();
  const at = document.activeElement;
  return pressed || Boolean(document.querySelector("dialog[open], .is-held, [aria-busy=true]"))
    || (place.contains(at) && at.matches("input, select, textarea"))
    || [...place.querySelectorAll("input, select, textarea")].some(isTyped)
    || (!marked.isCollapsed && place.contains(marked.anchorNode));
};

// What an element is known by, so that it can be found again in the new state.
const signOf = (element) => [element.tagName, element.id, ...["name", "value", "href", "action", "aria-label", "aria-labelledby", "data-stage", "data-job", "aria-describedby"].map((name) => element.getAttribute(name) ?? ""),
  element.matches("summary") ? element.textContent : "", element.form ? [...element.form.querySelectorAll("[type=hidden]:not([name=csrfmiddlewaretoken])")].map((one) => one.value).join() : ""].join("\n");
const again = (sign, selector) => [...place.querySelectorAll(selector)].find((one) => signOf(one) === sign);

const FOCUSABLE = "a, button, input, select, textarea, summary, [tabindex]";
const PANES = "[data-pane], .table-wrap, .rule-pane";
const MARKS = "section[aria-labelledby], article[aria-labelledby], [data-job], tr, [data-news]";
const textSign = (element) => element.matches("tr") ? element.querySelector("th")?.textContent ?? "" : signOf(element);
// What stays where it is though something above it grew: what has the focus, else the topmost thing in sight.
const anchor = () => {
  const near = place.contains(document.activeElement) ? document.activeElement.closest(MARKS) : null, box = near?.getBoundingClientRect();
  return box && box.bottom > 0 && box.top < innerHeight ? near : topmost();
};
const topmost = () => [...place.querySelectorAll(MARKS)].find((one) => one.getBoundingClientRect().top >= 0 && textSign(one));

const put = (html) => {
  const focused = place.contains(document.activeElement) ? signOf(document.activeElement) : null;
  const mark = anchor();
  const kept = mark && { sign: textSign(mark), y: mark.getBoundingClientRect().top };
  const panes = [...place.querySelectorAll(PANES)].map((pane) => [pane.scrollLeft, pane.scrollTop]);
  const open = [...place.querySelectorAll("details[open] > summary")].map(signOf);
  const news = place.querySelector("[data-news]")?.textContent ?? "";
  place.innerHTML = html;
  for (const summary of place.querySelectorAll("summary")) if (open.includes(signOf(summary))) summary.parentElement.open = true;
  place.querySelectorAll(PANES).forEach((pane, k) => { if (panes[k]) [pane.scrollLeft, pane.scrollTop] = panes[k]; });
  place.dispatchEvent(new CustomEvent("fresh", { bubbles: true }));
  const same = kept && [...place.querySelectorAll(MARKS)].find((one) => textSign(one) === kept.sign);
  if (same) scrollBy({ top: same.getBoundingClientRect().top - kept.y, behavior: "instant" });
  if (focused) again(focused, FOCUSABLE)?.focus({ preventScroll: true });
  const fresh = place.querySelector("[data-news]")?.textContent ?? "";
  if (live && fresh !== news) live.textContent = fresh;
};

keepLooking({
  every: EVERY,
  away: AWAY,
  tag: place.dataset.fresh,
  from: place.dataset.from,
  put,
  held: isInHand,
  say: (text) => {
    if (!away) return;
    if (away.textContent !== text) away.textContent = text;
    away.hidden = !text;
  },
});
