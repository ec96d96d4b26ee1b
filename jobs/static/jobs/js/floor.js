// The floor pages: a press shows at once and is sent behind it; the moving part refreshes when the shop's work moved.
import { add, newId, send, waiting } from "./taps.js";
import { tick } from "../../shop/js/ticking.js";

const EVERY = 4000; // ms between looks at the server
const part = document.querySelector("[data-part]");
const unsent = document.querySelector("[data-unsent]");
const SHOWN = { start: "Running", resume: "Running", next: "Finished", pause: "Paused", leave: "Running", aside: "Put aside", finish: "Finished", void: "Taken back" };
let tag = null;
let refused = "";

const token = () => document.querySelector("input[name=csrfmiddlewaretoken]")?.value ?? "";

const tell = (why = "") => {
  if (!unsent) return;
  const count = waiting().length;
  unsent.hidden = !count && !refused;
  const waits = count ? `${count} ${count === 1 ? "tap waits" : "taps wait"} to be sent. ${why}` : "";
  unsent.querySelector("[data-unsent-text]").textContent = [refused, waits].filter(Boolean).join(" ");
  unsent.querySelector("[data-send-again]").hidden = !count;
};

export const refresh = async (force = false) => {
  if (!part || (!force && part.querySelector("details[open], :focus-visible"))) return;
  const headers = { "X-Part": "1" };
  if (tag && !force) headers["If-None-Match"] = tag;
  try {
    const response = await fetch(part.dataset.partUrl, { headers, credentials: "same-origin", cache: "no-store" });
    if (response.status !== 200 || response.redirected) return;
    tag = response.headers.get("ETag");
    part.innerHTML = await response.text();
    part.classList.remove("is-sent");
    tick(part);
    expire();
  } catch { /* no connection: what is shown stays */ }
};

const expire = () => {
  for (const bar of part.querySelectorAll("[data-expires]")) setTimeout(() => bar.remove(), Number(bar.dataset.expires) * 1000);
};

// Before the server answers: say what was pressed, stop or start the time, and take no second press of the same.
const showAtOnce = (kind) => {
  const article = part.querySelector("article.floor-now");
  part.classList.add("is-sent");
  for (const button of part.querySelectorAll("[data-tap] button")) button.disabled = true;
  const word = article?.querySelector("[data-state-word]");
  if (word) word.textContent = SHOWN[kind] ?? kind;
  const time = article?.querySelector("[data-ticking]");
  if (!time) return;
  if (kind === "start" || kind === "resume") time.dataset.since ??= String(Date.now());
  else if (kind !== "leave") { time.removeAttribute("data-ticking"); }
};

const deliver = async () => {
  try {
    const answer = await send(token());
    refused = (answer?.results ?? []).filter((one) => one.status === "refused").map((one) => one.problem?.detail).join(" ");
    tell();
  } catch (error) {
    tell(error.message);
  }
  // The next stage, or the stage in hand: not the one that was asked for before.
  if (part) part.dataset.partUrl = location.pathname;
  await refresh(true);
  if (part?.classList.contains("is-sent")) {
    part.classList.remove("is-sent");
    for (const button of part.querySelectorAll("[data-tap] button")) button.disabled = false;
  }
};

document.addEventListener("submit", (event) => {
  const form = event.target.closest("[data-tap]");
  if (!form) return;
  event.preventDefault();
  const given = Object.fromEntries([...new FormData(form)].filter(([name, value]) => value && name !== "csrfmiddlewaretoken"));
  const tap = { id: newId(), kind: given.kind, stage: Number(given.stage), at: new Date().toISOString() };
  for (const name of ["to_stage", "person", "machine", "cause"]) if (given[name]) tap[name] = Number(given[name]);
  if (given.corrects) tap.corrects = given.corrects;
  const machine = part.querySelector("[data-machine]:checked");
  if (tap.kind === "start" && machine) tap.machine = Number(machine.value);
  add(tap);
  showAtOnce(tap.kind);
  deliver();
});

document.querySelector("[data-who]")?.addEventListener("change", (event) => event.target.form.requestSubmit());
unsent?.querySelector("[data-send-again]")?.addEventListener("click", deliver);
addEventListener("online", () => { if (waiting().length) deliver(); });
setInterval(() => { if (!document.hidden) { if (waiting().length) deliver(); else refresh(); } }, EVERY);
if (part) expire();
if (waiting().length) deliver();
