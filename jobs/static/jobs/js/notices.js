// What is to be said above the page: taps that wait, taps that were not counted, no connection, a clock that is wrong.
import { h } from "./dom.js";
import { clocked, offsetWords, pressWords, waitingWords } from "./words.js";

const WRONG_CLOCK = 5000; // ms
const LONG = 60; // s after which it is said how long the oldest tap has waited

const refusedLine = (one, name) => h("li", {},
  h("p", {}, h("strong", {}, "Not counted: "), one.tap ? `${pressWords(one.tap, name)}. ` : "", one.problem),
  h("button.button", { type: "button", dataset: { dismiss: one.id, key: `dismiss-${one.id}` } }, "Dismiss"));

// told: {waiting, oldest, refused, connected, problem, login, lasting, offset}; name: of a stage by its key.
export const notices = (told, name) => [
  told.refused.length > 0 && h("div.notice.error", { dataset: { refused: "" } }, h("ul.plain", {}, told.refused.map((one) => refusedLine(one, name)))),
  Math.abs(told.offset ?? 0) > WRONG_CLOCK && h("p.notice.info", { dataset: { offset: "" } }, offsetWords(told.offset)),
];

const why = (told) => {
  if (told.connected) return told.problem;
  return told.lasting ? "No connection. Taps are kept on this device." : "No connection. This browser keeps nothing: leave this page open.";
};

// What waits to be sent, and why: it lies at the foot of the screen, so that nothing moves under a thumb when it comes.
export const waitsBar = (told) => (told.waiting > 0 || why(told)) && h("div.waits-bar", { dataset: { unsent: "" } },
  h("p", {}, [told.waiting > 0 && waitingWords(told.waiting), why(told), told.waiting > 0 && told.oldest > LONG && `The oldest has waited ${clocked(told.oldest)}.`].filter(Boolean).join(" ")),
  told.login ? h("a.button", { href: "/login/?next=/floor/", dataset: { leave: "" } }, "Log in")
    : told.waiting > 0 && h("button.button", { type: "button", dataset: { send: "", key: "send" } }, "Send now"));
