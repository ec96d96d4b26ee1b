// Who presses. On a device of one's own the name may simply be chosen; on a shared tablet it is proven on the names page,
// and where there is no connection a name that was only chosen is marked as such.
import { h } from "./dom.js";

const keyOf = (pack) => `lapwright.who.${pack.shop.id}.${pack.user.id}`;

let onThisPage = null; // where the browser keeps nothing
const kept = (pack) => {
  try { return JSON.parse(localStorage.getItem(keyOf(pack)) ?? "null"); } catch { return onThisPage; }
};

// {id, unproven}: the name chosen here if the server has not heard of it yet, else the server's.
export const presser = (pack) => {
  const chosen = kept(pack);
  const known = (key) => pack.people.some((one) => one.id === key);
  if (chosen?.none) return { id: null, unproven: false };
  if (chosen && known(chosen.id)) return { id: chosen.id, unproven: Boolean(pack.device) };
  return { id: known(pack.person) ? pack.person : null, unproven: false };
};

export const choose = (pack, person) => {
  onThisPage = person === null ? { none: true } : { id: person };
  try { localStorage.setItem(keyOf(pack), JSON.stringify(onThisPage)); } catch { /* then it holds for this page */ }
};
export const forget = (pack) => {
  onThisPage = null;
  try { localStorage.removeItem(keyOf(pack)); } catch { /* nothing is kept */ }
};

// Tells the server who presses, where the device may say so by itself. Gives whether it heard.
export const tell = async (pack, address) => {
  const chosen = kept(pack);
  if (pack.device || !chosen?.id) return false;
  const body = new URLSearchParams({ person: String(chosen.id), csrfmiddlewaretoken: pack.csrf });
  try {
    const answer = await fetch(address, { method: "POST", credentials: "same-origin", body, headers: { "X-CSRFToken": pack.csrf } });
    return answer.ok;
  } catch { return false; }
};

const names = (see) => h("div.who-choice", {}, see.pack.people.map((one) =>
  h("button.tap.small-tap", { type: "button", "aria-pressed": one.id === see.person ? "true" : null, dataset: { who: String(one.id), key: `who-${one.id}` } }, one.name)));

// The line above the presses. names: the address of a shared tablet's names page; connected: whether it can be reached.
export const whoPresses = (see, { namesUrl, connected, unproven }) => {
  const { people, device } = see.pack;
  const person = people.find((one) => one.id === see.person);
  if (!people.length) return h("p.hint", {}, "Nobody works here yet, so presses are nobody's.");
  if (people.length === 1 && person && !device) return null;
  if (!person) {
    if (device && connected) return h("section.who.notice.caution", {}, h("p", {}, "Who presses?"), h("p", {}, h("a.tap", { href: namesUrl, dataset: { leave: "" } }, "To the names")));
    return h("section.who.notice.caution", { "aria-labelledby": "who" }, h("h2", { id: "who" }, "Who presses?"),
      device && h("p.hint", {}, "With no connection no PIN can be checked: the record says so."), names(see));
  }
  const said = [h("strong", {}, person.name), " presses. ", unproven && h("span.tag", {}, "no PIN asked"), " "];
  if (device && connected) return h("p.who.who-line", {}, h("span", {}, said), h("a.button", { href: namesUrl, dataset: { leave: "" } }, "Somebody else"));
  return h("details.who", { dataset: { key: "who" } }, h("summary", { dataset: { key: "whos" } }, said, h("span.hint", {}, "Somebody else?")), names(see));
};
