// The floor pages on a device: what is pressed shows at once, is stored on the device, and is sent behind it.
import * as packs from "./pack.js";
import { dismiss as dismissTaps, newId, offsetMs, onQueue, press as keep, sendNow, serverNow, whenReady } from "./taps.js";
import { putRight, tick } from "../../shop/js/ticking.js";
import { againState, againTake, wastedBy } from "./again.js";
import { h, put } from "./dom.js";
import { keys } from "./keys.js";
import { changesAt, lapNow } from "./model.js";
import { notices, waitsBar } from "./notices.js";
import { Shown } from "./shown.js";
import { floorPage, foundJobs, jobName } from "./view.js";
import { watchPage } from "./watch.js";
import { choose, forget, presser, tell, whoPresses } from "./who.js";
import { lapText, pressWords } from "./words.js";

const EVERY = 4000; // ms between looks at the server
const AGAIN = 500; // ms in which a second touch is the same press: the next button may lie under the thumb by then
const MINUTE = 60000;
const LONGEST_HOLD = 5000; // ms: a finger of which no lifting was heard is not waited for any longer
const LOG_IN = "The log-in has ended. Taps are kept on this device until you log in again.";

const root = document.querySelector("[data-floor]");
const region = (name) => root.querySelector(`[data-${name}]`);
const shown = new Shown();
const ui = { asked: null, q: "", machines: new Map(), again: againState(), connected: navigator.onLine, problem: "" };
const jobsSeen = new Map(); // a job that is finished leaves the pack, but not the page that shows it
let pressedAt = -Infinity, touchedAt = performance.now();
let drawn = "", seen = null, packsTaken = 0; // what was drawn last, and from which pack
let noticed = "";
let held = false, heldAt = 0, late = false; // a finger is on the page; something waits for it to be lifted

// --- where we are

const place = () => {
  const number = location.pathname.match(/\/floor\/(\d+)\/$/)?.[1];
  return number ? { number: Number(number), asked: Number(new URLSearchParams(location.search).get("stage")) || null } : { number: null, asked: null };
};
let here = place();

const jobHere = (pack) => pack.jobs.find((job) => job.number === here.number) ?? jobsSeen.get(here.number) ?? null;

const stageName = (pack) => {
  const names = new Map([...jobsSeen.values(), ...pack.jobs].flatMap((job) => job.stages.map((stage) => [stage.id, stage.name])));
  return (key) => names.get(key) ?? "A stage";
};

// Whether the pack has what the address asks for. If not, the page is as the server made it.
const ours = (pack) => here.number === null || jobHere(pack) !== null || Number(root.dataset.number || 0) !== here.number;

// --- drawing

const look = () => {
  const now = serverNow(), pack = shown.at(now), { id, unproven } = presser(shown.pack);
  for (const job of pack.jobs) jobsSeen.set(job.number, job);
  return { pack, person: id, unproven, now, until: changesAt(pack, now), zone: pack.shop.time_zone, ui: { ...ui, asked: here.asked } };
};

const findForm = h("form.cluster.find", { role: "search" }, h("label", { for: "q" }, "Find a job"),
  h("input", { type: "search", id: "q", name: "q", placeholder: "Number, title, customer", autocomplete: "off", enterkeyhint: "search", dataset: { key: "q" } }));

const head = (see, job) => (here.number === null ? [h("h1", { tabindex: "-1", dataset: { key: "h1" } }, "Floor")] : [
  h("p.up", {}, h("a", { href: "/floor/", dataset: { key: "up" } }, "Floor")),
  h("h1", { tabindex: "-1", dataset: { key: "h1" } }, job ? jobName(job) : `Job ${here.number}`),
  job && h("p.job-line", {}, h("span", {}, job.customer ? `${job.customer}, ` : "", `${job.type}.`), h("span.job-links", {},
    h("a", { href: `/jobs/${job.number}/`, dataset: { key: "job" } }, "The job"), h("a", { href: `/jobs/${job.number}/clock/`, dataset: { key: "clock" } }, "Clocked times"))),
]);

const missing = () => h("div.empty", {}, h("p", {}, `Job ${here.number} is not kept on this device.`),
  h("p", {}, "Only jobs that are promised or in hand are. It can be opened again when there is a connection."), h("p", {}, h("a.button", { href: "/floor/" }, "To the floor")));

// What the drawing is made from: nothing is drawn anew while this is the same.
const marks = () => JSON.stringify([packsTaken, shown.taps.map((tap) => tap.id), presser(shown.pack), here, ui.connected, seen !== null && serverNow() >= seen.until]);

const draw = ({ force = true } = {}) => {
  if (!shown.pack) return;
  if (held && !force && performance.now() - heldAt < LONGEST_HOLD) { late = true; return; }
  if (force || marks() !== drawn) {
    const see = look();
    if (!ours(see.pack)) return;
    seen = see;
    drawn = marks();
    drawPage(see);
  }
  drawNotices(seen);
  drawUndo(seen);
};

const drawPage = (see) => {
  const job = here.number === null ? null : jobHere(see.pack);
  document.title = `${here.number === null ? "Floor" : `Job ${here.number}`} – Lapwright`;
  put(region("head"), head(see, job));
  put(region("who"), whoPresses(see, { namesUrl: root.dataset.namesUrl, connected: ui.connected, unproven: see.unproven }));
  put(region("part"), here.number === null ? floorPage(see, findForm) : job ? watchPage(see, job) : missing());
  tick(root);
  root.dataset.ready = "";
};

// A button that is put in anew under a finger would not be pressed: drawing waits until the finger is lifted.
const hold = () => { held = true; heldAt = performance.now(); };
const drawLate = () => setTimeout(() => { if (late && !held) { late = false; draw({ force: false }); } }, 60);
const lift = () => { held = false; drawLate(); };
// A field is often left by the press of a button: that one must still be there.
const drawSoon = () => { drawn = ""; late = true; drawLate(); };

const drawNotices = (see) => {
  const now = serverNow();
  const { refused, problem, login, lasting } = shown.queue;
  const told = { waiting: shown.waits, oldest: shown.oldest(now), refused, connected: ui.connected, problem: ui.problem || problem || (packs.loggedOut ? packs.whyOut || LOG_IN : ""), login: login || packs.loggedOut, lasting, offset: offsetMs() };
  const text = JSON.stringify({ ...told, oldest: Math.floor(told.oldest / 600), offset: Math.round((told.offset ?? 0) / 5000) });
  if (text === noticed) return;
  noticed = text;
  put(region("notices"), notices(told, stageName(see.pack)));
  put(region("waits"), waitsBar(told));
};

let undoEnds = 0;
const drawUndo = (see) => {
  const undo = shown.undo(serverNow()), bar = region("undo");
  clearTimeout(undoEnds);
  if (!undo) { if (bar.childElementCount) put(bar); return; }
  undoEnds = setTimeout(() => draw({ force: false }), undo.left + 20);
  if (bar.firstElementChild?.dataset.undoes === undo.tap.id) return;
  const name = stageName(see.pack), job = [...jobsSeen.values()].find((one) => one.stages.some((stage) => stage.id === undo.tap.stage));
  const where = job && job.number !== here.number ? `${jobName(job)}: ` : "";
  put(bar, h("div.undo-bar", { role: "group", "aria-label": "Undo", dataset: { undoes: undo.tap.id } }, h("p", {}, `${where}${pressWords(undo.tap, name)}`),
    h("button.button", { type: "button", "aria-keyshortcuts": "U", dataset: { press: JSON.stringify({ kind: "void", stage: undo.tap.stage, corrects: undo.tap.id }), key: "undo" } }, "Undo", h("kbd", { "aria-hidden": "true" }, "U"))));
};

const say = (text) => { region("say").textContent = text; };

// --- pressing

const tapOf = (spec) => {
  const { id: person, unproven } = presser(shown.pack);
  const tap = { id: newId(), at: new Date().toISOString(), ...spec };
  if (person !== null && spec.kind !== "void") tap.person = person;
  if (unproven && spec.kind !== "void") tap.name_unproven = true;
  const offset = offsetMs();
  if (Number.isFinite(offset)) tap.offset_ms = Math.round(offset);
  return tap;
};

// Where a press leads on a job's page: to the stage that was started, or the same; after a finish whatever comes then.
// undone: the press that is taken back.
const onwards = (tap, undone) => {
  if (here.number === null || tap.kind === "lap") return;
  if (tap.kind === "void") here.asked = undone && jobHere(seen.pack)?.stages.some((one) => one.id === undone.stage) ? undone.stage : here.asked;
  else here.asked = tap.kind === "finish" ? null : tap.to_stage ?? tap.stage;
  history.replaceState(history.state, "", location.pathname + (here.asked ? `?stage=${here.asked}` : ""));
};

const closeFolds = () => { for (const one of region("part").querySelectorAll("details[open]")) one.open = false; };

const take = async (spec) => {
  const tap = tapOf(spec), { pack } = seen, undone = spec.kind === "void" ? shown.undo(serverNow())?.tap : null;
  shown.press(tap, pack);
  if (tap.kind === "again") ui.again = againState();
  onwards(tap, undone);
  closeFolds();
  draw();
  region("part").querySelector(`article[data-stage="${tap.to_stage ?? tap.stage}"] h2`)?.scrollIntoView({ block: "nearest" });
  say(undone ? `Taken back: ${pressWords(undone, stageName(pack))}` : pressWords(tap, stageName(pack)));
  try {
    await keep(tap);
    shown.stored(tap);
  } catch {
    shown.unpress(tap);
    ui.problem = "This device could not keep that press, so it does not count. Load the page again and press once more.";
    draw();
  }
};

const onPress = (button, event) => {
  if (event.timeStamp - pressedAt < AGAIN) return;
  pressedAt = event.timeStamp;
  touchedAt = performance.now();
  const spec = JSON.parse(button.dataset.press);
  take({ ...spec, ...wastedBy(spec, ui.again) });
};

// --- the server

// The queue has changed: on this page or another, a press came or was sent.
const onTaps = (state) => {
  const before = shown.queue;
  shown.queue = state;
  if (state.connected !== before.connected) ui.connected = state.connected && navigator.onLine;
  draw({ force: false });
  if (state.count < before.count) refresh();
};

const refresh = async () => {
  try {
    await packs.refresh();
    ui.connected = true;
  } catch { ui.connected = false; }
  draw({ force: false });
};

const look4 = async () => {
  if (document.hidden || await backToNames()) return;
  if (!shown.queue.count || shown.queue.connected) await refresh();
  else draw({ force: false });
};

// --- who presses

const chosen = async (person) => {
  choose(shown.pack, person);
  touchedAt = performance.now();
  draw();
  if (await tell(shown.pack, root.dataset.whoUrl)) {
    await refresh();
    forget(shown.pack);
    draw();
  }
};

// A shared tablet goes back to the names after some minutes without a press. Gives whether it leaves the page.
const backToNames = async () => {
  const { device } = shown.pack ?? {};
  if (!device || performance.now() - touchedAt < device.names_after_min * MINUTE) return false;
  await refresh(); // so that the page is not left for one that cannot be had
  if (ui.connected && !shown.queue.count) {
    choose(shown.pack, null); // it is nobody's, also where the connection goes before the names come; they take this off again
    location.assign(root.dataset.namesUrl);
    return true;
  }
  if (presser(shown.pack).id !== null) { choose(shown.pack, null); draw(); }
  return false;
};

// --- going from page to page without asking the server

const scrolls = new Map();
const arrive = (focus) => {
  here = place();
  ui.q = here.number === null ? ui.q : "";
  ui.again = againState();
  draw();
  if (focus) root.querySelector("h1")?.focus({ preventScroll: true });
};
const go = (address) => {
  scrolls.set(location.href, scrollY);
  const same = new URL(address, location).pathname === location.pathname;
  history.pushState({}, "", address);
  arrive(!same);
  if (!same) scrollTo(0, 0);
  else root.querySelector("article h2")?.scrollIntoView({ block: "nearest" });
};
const onLink = (event) => {
  const link = event.target.closest("a[href]");
  if (!link || event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  const to = new URL(link.href, location);
  if (to.origin !== location.origin || !/^\/floor\/(\d+\/)?$/.test(to.pathname) || !shown.pack || "leave" in link.dataset) return;
  const number = Number(to.pathname.match(/(\d+)/)?.[1] ?? 0);
  if (number && !jobsSeen.has(number) && ui.connected) return; // not on this device: the server may have it
  event.preventDefault();
  go(to.pathname + to.search);
};

// --- what the page listens to

const onClick = (event) => {
  const button = event.target.closest("button");
  if (!button || !shown.pack) return onLink(event);
  const { press: pressed, who, send: sends, dismiss, step } = button.dataset;
  if (pressed) onPress(button, event);
  else if (who) chosen(Number(who));
  else if (sends !== undefined) sendNow();
  else if (dismiss) dismissTaps([dismiss]);
  else if (step && againTake(ui.again, button)) draw();
  return undefined;
};

const onChange = (event) => {
  const { machineOf, againSet } = event.target.dataset;
  if (machineOf) { ui.machines.set(Number(machineOf), Number(event.target.value)); draw(); }
  if (againSet && againTake(ui.again, event.target)) (event.target.type === "number" ? drawSoon : draw)();
};

const onType = (event) => {
  if (event.target.id !== "q") return;
  ui.q = event.target.value;
  put(region("found"), foundJobs(look()));
};

// A whole number opens that job at once: a hand scanner types a ticket's and then Enter.
const onFind = (event) => {
  event.preventDefault();
  const number = Number(ui.q.trim());
  if (!Number.isSafeInteger(number) || number < 1) return;
  const known = jobsSeen.has(number);
  if (known || ui.connected) findForm.reset();
  if (known) { ui.q = ""; go(`/floor/${number}/`); }
  else if (ui.connected) location.assign(`/floor/?q=${number}`); // it may be one that is not kept on this device
};

const tickLaps = () => {
  const now = serverNow();
  for (const one of root.querySelectorAll("[data-lap]")) {
    const text = lapText(lapNow({ seconds: Number(one.dataset.base), lap_base: 0, since: one.dataset.since ? new Date(Number(one.dataset.since)).toISOString() : null }, now));
    if (one.textContent !== text) one.textContent = text;
  }
};

const doubts = () => {
  const place4 = document.querySelector("[data-doubts]");
  if (place4?.dataset.doubtsScript && navigator.onLine) import(place4.dataset.doubtsScript).catch(() => {});
};

// The job that is shown was finished or cancelled on another device, and so left the pack: the server has its page.
const leftElsewhere = (pack) => {
  const job = jobsSeen.get(here.number);
  return Boolean(job) && ui.connected && !pack.jobs.some((one) => one.number === here.number) && job.stages.some((stage) => stage.state !== "finished");
};

const listen = () => {
  document.addEventListener("click", onClick);
  root.addEventListener("pointerdown", hold);
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, lift);
  root.addEventListener("change", onChange);
  root.addEventListener("input", onType);
  findForm.addEventListener("submit", onFind);
  addEventListener("popstate", () => { arrive(true); scrollTo(0, scrolls.get(location.href) ?? 0); });
  addEventListener("online", look4);
  addEventListener("offline", () => { ui.connected = false; draw({ force: false }); });
  document.addEventListener("visibilitychange", look4);
  setInterval(look4, EVERY);
  setInterval(tickLaps, 500);
  keys(root, { find: () => { if (here.number !== null) go("/floor/"); document.getElementById("q")?.focus(); } });
};

const begin = async () => {
  await whenReady;
  packs.onPack((pack) => {
    shown.take(pack);
    packsTaken += 1;
    putRight(Date.now() - serverNow());
    if (leftElsewhere(pack)) location.replace(location.pathname);
    else draw({ force: false });
  });
  onQueue(onTaps);
  listen();
  doubts();
  await refresh();
};

if (root) begin();
