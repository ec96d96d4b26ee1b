// A date that is not exact enough yet goes on being worked out while its page is looked at. What is shown and what the
// form gives change together, never while somebody is at the form, and never just before a press.
const AFTER = 600; // ms after a change in which a press is taken to be meant for the date before
const WAIT = 150; // ms between looks whether somebody is still at the form
const form = document.querySelector("[data-gives-date]");
const said = document.querySelector("[data-sharper-said]");
const find = (name, among = document) => among.querySelector(`[data-sharper="${name}"]`);
const MOVED = " The work has moved since, or could not be asked: load the page anew for the date as it stands.";
let changed = -Infinity, asking = null, sent = false;

const soon = () => new Promise((done) => setTimeout(done, WAIT));
const untilLeftAlone = async () => { while (document.hidden || form?.matches(":hover, :focus-within")) await soon(); };

// Of a table with other rows than before the rows stay: what stands below it must not move.
const sameShape = (before, after) => before.tagName !== "TBODY" || before.children.length === after.children.length;

// Nor by a picture of another height, or a sentence of fewer lines.
const keepHeights = (place, part) => {
  const before = place.querySelector("svg"), after = part.querySelector("svg");
  if (before && after) after.style.height = `${before.getBoundingClientRect().height}px`;
  const lines = place.closest("p");
  if (lines) lines.style.minHeight = `${lines.getBoundingClientRect().height}px`;
};

const show = (fresh) => {
  const before = find("date").textContent, after = find("date", fresh).textContent;
  for (const part of [...fresh.querySelectorAll("[data-sharper]")]) {
    const place = find(part.dataset.sharper);
    if (!place || !sameShape(place, part)) continue;
    keepHeights(place, part);
    place.replaceWith(part);
  }
  if (before !== after) changed = performance.now();
};

const ask = async (query) => {
  asking = new AbortController();
  const headers = { "X-Part": "sharper" };
  const signal = asking.signal;
  const response = await fetch(`${location.pathname}?${query}`, { headers, signal, credentials: "same-origin", cache: "no-store" });
  if (response.status !== 200 || response.redirected) throw new Error(`answered ${response.status}`);
  return new DOMParser().parseFromString(await response.text(), "text/html");
};

const sharpen = async () => {
  const first = find("date").textContent;
  for (let place; !sent && (place = find("exactness"))?.dataset.more;) {
    let fresh;
    try { await untilLeftAlone(); fresh = await ask(place.dataset.more); await untilLeftAlone(); } catch (error) {
      if (error.name !== "AbortError") place.querySelector(".with-scripts")?.replaceChildren(MOVED);
      delete place.dataset.more;
      return;
    }
    if (sent) return;
    show(fresh);
  }
  const last = find("date").textContent;
  said.textContent = first === last ? `Worked out more exactly: ${last} stays.` : `Worked out more exactly: ${last}, before it was ${first}.`;
};

form?.addEventListener("submit", (event) => {
  if (performance.now() - changed < AFTER) { event.preventDefault(); return; }
  sent = true;
  asking?.abort();
});
addEventListener("pagehide", () => { sent = true; asking?.abort(); });
addEventListener("pageshow", (event) => { if (event.persisted) { sent = false; sharpen(); } });
sharpen();
