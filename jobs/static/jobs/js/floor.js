// The floor pages: a press shows at once and is sent behind it; the moving part refreshes when the shop's work moved.
import { add, newId, send, waiting } from "./taps.js";
import { serverNow, tick } from "../../shop/js/ticking.js";

const EVERY = 4000; // ms between looks at the server
const AGAIN = 500; // ms in which a second touch is the same press: the next button may lie under the thumb by then
const part = document.querySelector("[data-part]");
const unsent = document.querySelector("[data-unsent]");
const NEXT_STATE = { start: "running", resume: "running", next: "running", pause: "paused", leave: "alone", aside: "put_aside", finish: "finished" };
const WORDS = { running: "Running", alone: "Running", paused: "Paused", put_aside: "Put aside", finished: "Finished" };
const DONE = { start: "started", resume: "resumed", pause: "paused", leave: "left to go on", aside: "put aside", finish: "finished" };
let tag = null;
let refused = "";
let presses = 0;
let pressedAt = -Infinity;
let before = null; // what was shown before the press that Undo offers to take back

const token = () => document.querySelector("input[name=csrfmiddlewaretoken]")?.value ?? "";

const tell = (why = "") => {
  const count = waiting().length;
  const waits = count ? `${count} ${count === 1 ? "press waits on this device and is" : "presses wait on this device and are"} sent as soon as it can be. ${why}` : "";
  unsent.hidden = !count && !refused;
  unsent.querySelector("[data-unsent-text]").textContent = [refused && `Not counted: ${refused}`, waits].filter(Boolean).join(" ");
  unsent.querySelector("[data-send-again]").hidden = !count;
};

// What is open stays open, and a keyboard stays where it was, when the part is put in anew.
const byKeyboard = () => part.contains(document.activeElement) && document.activeElement.matches(":focus-visible");
const keyOf = (button) => button.form && [...new FormData(button.form)].filter(([name]) => !/^(id|csrf.*)$/.test(name)).join();
const focusPress = (key) => {
  const buttons = [...part.querySelectorAll("[data-tap]:not([hidden]) button")];
  (buttons.find((button) => keyOf(button) === key) ?? buttons.find((button) => button.closest(".taps")))?.focus();
};
const put = (html) => {
  const open = [...part.querySelectorAll("details")].map((details) => details.open);
  const key = byKeyboard() ? keyOf(document.activeElement) : undefined;
  const stage = part.querySelector("article input[name=stage]")?.value;
  part.innerHTML = html;
  if (stage === part.querySelector("article input[name=stage]")?.value) {
    for (const [i, details] of [...part.querySelectorAll("details")].entries()) details.open = Boolean(open[i]) && !details.hidden;
  }
  if (key) focusPress(key);
  tick(part);
  expire();
};

const refresh = async ({ force = false } = {}) => {
  const seen = presses;
  const headers = { "X-Part": "1" };
  if (tag && !force) headers["If-None-Match"] = tag;
  try {
    const response = await fetch(part.dataset.partUrl, { headers, credentials: "same-origin", cache: "no-store" });
    if (response.status !== 200 || response.redirected) return;
    const html = await response.text();
    if (seen !== presses) return; // pressed meanwhile: this is the state before
    tag = response.headers.get("ETag");
    put(html);
  } catch { /* no connection: what is shown stays */ }
};

const expire = () => {
  for (const bar of part.querySelectorAll("[data-expires]")) setTimeout(() => bar.remove(), Number(bar.dataset.expires) * 1000);
};

const showTime = (article, kind) => {
  const time = article.querySelector("[data-ticking]");
  if (!time) return;
  const goesOn = NEXT_STATE[kind] === "running" || kind === "leave";
  const since = time.dataset.since ? Number(time.dataset.since) : null;
  if (kind === "next") Object.assign(time.dataset, { baseSeconds: "0", since: String(serverNow()) });
  else if (goesOn) time.dataset.since = String(since ?? serverNow());
  else if (since !== null) {
    time.dataset.baseSeconds = String(Number(time.dataset.baseSeconds) + (serverNow() - since) / 1000);
    delete time.dataset.since;
  }
  tick(article);
};

const showNextStage = (article, tap, name) => {
  article.querySelector("[data-stage-name]").textContent = name;
  // What belongs to the stage before: its notes, what may follow it, its machine.
  for (const old of article.querySelectorAll("[data-about], .caution, .machine-choice, form:has([name=to_stage]), form:has([name=machine]), form:has([value=leave])")) old.remove();
  for (const field of article.querySelectorAll("input[name=stage]")) field.value = String(tap.to_stage);
};

const offerUndo = (tap, text) => {
  const place = part.querySelector("[data-undo]");
  const form = part.querySelector("[data-tap]").cloneNode(false);
  for (const name of ["id", "data-when", "data-to-name", "hidden"]) form.removeAttribute(name);
  for (const [name, value] of Object.entries({ kind: "void", stage: tap.stage, corrects: tap.id })) {
    form.append(Object.assign(document.createElement("input"), { type: "hidden", name, value: String(value) }));
  }
  form.append(Object.assign(document.createElement("button"), { className: "button", textContent: "Undo" }));
  const bar = Object.assign(document.createElement("div"), { className: "undo-bar" });
  bar.setAttribute("role", "status");
  bar.dataset.expires = "10";
  bar.append(Object.assign(document.createElement("p"), { textContent: text }), form);
  place.replaceChildren(bar);
  expire();
};

// Before the server answers: the stage as it is now, its time, what can be pressed next, and Undo.
const showAtOnce = (tap, toName) => {
  const article = part.querySelector("article[data-state]");
  if (tap.kind === "void") {
    if (before?.id === tap.corrects) put(before.html);
    part.querySelector("[data-undo]").replaceChildren();
    before = null;
    return;
  }
  before = { id: tap.id, html: part.innerHTML };
  const state = NEXT_STATE[tap.kind], name = article.querySelector("[data-stage-name]").textContent;
  if (tap.kind === "next") showNextStage(article, tap, toName);
  article.dataset.state = state;
  article.classList.toggle("is-paused", ["paused", "put_aside"].includes(state));
  article.classList.toggle("is-still", state === "finished");
  Object.assign(article.querySelector("[data-state-word]"), { textContent: WORDS[state], className: `tag${WORDS[state] === "Running" ? " on" : ""}` });
  if (tap.kind === "pause" || tap.kind === "resume") article.querySelector("[data-about]")?.replaceChildren();
  showTime(article, tap.kind);
  for (const details of article.querySelectorAll("details")) details.open = false;
  for (const one of article.querySelectorAll("[data-when]")) one.hidden = !one.dataset.when.split(" ").includes(state);
  offerUndo(tap, tap.kind === "next" ? `${name} finished, ${toName} started` : `${name} ${DONE[tap.kind]}`);
};

const deliver = async () => {
  try {
    const results = await send(token());
    const problems = results.filter((one) => one.status === "refused").map((one) => one.problem?.detail);
    if (results.length) refused = problems.join(" ");
    tell();
    await refresh({ force: true });
  } catch (error) {
    tell(error.message); // what is shown stays as it was pressed
  }
};

const tapOf = (form) => {
  const given = Object.fromEntries([...new FormData(form)].filter(([name, value]) => value && name !== "csrfmiddlewaretoken"));
  const tap = { id: newId(), kind: given.kind, stage: Number(given.stage), at: new Date().toISOString() };
  for (const name of ["to_stage", "person", "machine", "cause"]) if (given[name]) tap[name] = Number(given[name]);
  if (given.corrects) tap.corrects = given.corrects;
  return tap;
};

document.addEventListener("submit", (event) => {
  const form = event.target.closest("[data-tap]");
  if (!form) return;
  if (event.timeStamp - pressedAt < AGAIN) { event.preventDefault(); return; }
  pressedAt = event.timeStamp;
  const tap = tapOf(form);
  try { add(tap); } catch { return; } // the device keeps nothing: the form goes its own way
  event.preventDefault();
  presses += 1;
  // The stage that was started, or the same; after a finish whatever comes then.
  const shown = tap.kind === "finish" ? "" : `?stage=${tap.to_stage ?? tap.stage}`;
  part.dataset.partUrl = location.pathname + shown;
  history.replaceState(null, "", location.pathname + shown);
  const keyboard = byKeyboard();
  showAtOnce(tap, form.dataset.toName);
  if (keyboard) focusPress();
  deliver();
});

unsent.querySelector("[data-send-again]").addEventListener("click", deliver);
addEventListener("online", () => { if (waiting().length) deliver(); });
setInterval(() => { if (!document.hidden) { if (waiting().length) deliver(); else refresh(); } }, EVERY);
document.addEventListener("visibilitychange", () => { if (!document.hidden && !waiting().length) refresh(); });
expire();
if (waiting().length) deliver();
