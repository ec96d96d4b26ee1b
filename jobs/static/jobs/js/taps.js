// The device's own queue of taps: a tap is on the disk before its press is done, and stays there until the server has
// answered for it. Everything that presses or sends goes through here.
import { epochNow, isMeasured, offsetMs, serverNow } from "./clock.js";
import { newId, onTabs, page, shop, tellTabs } from "./device.js";
import * as pack from "./pack.js";
import { post, Trouble } from "./sending.js";
import * as store from "./store.js";
import { inTurn } from "./turns.js";

export { newId, offsetMs, serverNow };

const MOST = 500; // taps in one sending
const FIRST = 500, LAST = 30000; // ms to the first further try, and between any two
const OLD_QUEUE = `lapwright.taps.${shop}`;
const listeners = new Set();
let state = { count: 0, taps: [], shown: [], refused: [], problem: "", login: false, connected: true, lasting: true };
let wait = FIRST;
let timer = null;
let sending = null;
let answered = []; // {tap, revision} of those that the server has
let more = false; // pressed while a sending was under way

// callback(state): at once and whenever something changed, in any tab. count, taps: those that wait; shown: those and the
// ones that the server has but the kept pack has not; refused: [{id, tap, problem}]; problem: why they wait, or "";
// login: whether logging in again would help; connected: whether the server could be reached; lasting: whether they
// outlive this page.
export const onQueue = (callback) => {
  listeners.add(callback);
  callback(state);
};

const look = async (changes = {}) => {
  const [taps, sent, refused] = await Promise.all([store.waitingTaps(), store.sentTaps(), store.refused()]);
  answered = sent;
  state = { ...state, count: taps.length, taps, shown: lacking(taps), refused, lasting: store.lasting, ...changes };
  if (!taps.length) Object.assign(state, { problem: "", login: false });
  for (const callback of listeners) callback(state);
};

// The taps that the pack lacks, each once.
const lacking = (taps) => {
  const waits = new Set(taps.map((tap) => tap.id)), revision = pack.current()?.shop.revision ?? -1;
  const sent = answered.filter((one) => one.revision > revision).map((one) => one.tap);
  return [...sent.filter((tap) => !waits.has(tap.id)), ...taps];
};

const changed = async (changes) => {
  tellTabs("queue");
  await look(changes);
};

// Resolves once the tap is safe on the device. What is not given is filled in: id, at, and how far the clock is off.
export const press = async (given) => {
  const offset = offsetMs();
  const tap = { id: newId(), at: new Date().toISOString(), ...(offset === null ? {} : { offset_ms: offset }), ...given };
  await whenReady;
  await store.addTap({ ...tap, _page: page, _epoch: epochNow() });
  await changed().catch(() => {}); // it is kept, and will be sent, even where the store cannot be read just now
  persist().catch(() => {});
  wait = FIRST;
  send().catch(() => {});
  return tap;
};

// Sends what waits, by one tab at a time. Gives the results; throws a Trouble with words for the person. Nothing is lost.
export const send = () => {
  more = true;
  sending ??= deliver();
  return sending;
};

// The same for a button: at once, whatever was waited for.
export const sendNow = () => { wait = FIRST; return send().catch(() => []); };

const deliver = async () => {
  await whenReady;
  clearTimeout(timer);
  try {
    const results = [];
    while (more) { // looked at last of all: what is pressed until then is taken along, after that it begins another sending
      more = false;
      results.push(...await inTurn(`lapwright-send-${shop}`, flush));
      wait = FIRST;
      await changed({ problem: "", login: false, connected: true });
    }
    return results;
  } catch (error) {
    timer = setTimeout(() => send().catch(() => {}), wait);
    wait = Math.min(wait * 2, LAST);
    await changed(error instanceof Trouble ? { problem: error.message, login: error.login, connected: error.connected } : { problem: error.message });
    throw error;
  } finally { sending = null; }
};

const flush = async () => {
  const results = [];
  for (let taps = await store.waitingTaps(); taps.length; taps = await store.waitingTaps()) {
    // The device's clock is measured before anything that was pressed by it is sent.
    if (!isMeasured() || !pack.current()) await pack.refresh().catch((error) => { throw new Trouble(error.message, { connected: false }); });
    const batch = taps.slice(0, MOST), byId = new Map(batch.map((tap) => [tap.id, tap]));
    const answer = await post(batch.map(plain));
    const told = answer.results.filter((one) => byId.has(one.id));
    if (!told.length) throw new Trouble("The server answered for none of the taps.");
    const refused = told.filter((one) => one.status === "refused")
      .map((one) => ({ id: one.id, tap: plain(byId.get(one.id)), problem: one.problem?.detail ?? "It was refused." }));
    await store.settle(told.map((one) => one.id), answer.revision, refused);
    await changed();
    results.push(...told);
  }
  return results;
};

// A tap as it is sent. One that was pressed on this page, its clock untouched since, has what is known of the clock now.
const plain = ({ _page, _epoch, ...tap }) => {
  const offset = _page === page && _epoch === epochNow() && isMeasured() ? offsetMs() : null;
  return offset === null ? tap : { ...tap, offset_ms: offset };
};

// The person has read why these did not count.
export const dismiss = async (ids) => {
  await store.clearRefused(ids);
  await changed();
};

// Asked once: a browser short of room is not to throw the queue away.
const persist = async () => {
  if (!navigator.storage?.persist || await store.recall("persist")) return;
  await store.remember("persist", true);
  await navigator.storage.persist().catch(() => false);
};

// The queue of earlier releases, in localStorage.
const takeOver = async () => {
  let taps = [];
  try { taps = JSON.parse(localStorage.getItem(OLD_QUEUE) ?? "[]"); } catch { return; }
  for (const tap of taps) await store.addTap(tap);
  if (taps.length === 0 || store.lasting) localStorage.removeItem(OLD_QUEUE); // else the next page takes them over again
};

export const whenReady = pack.whenReady.then(takeOver).then(() => look()).catch((error) => look({ problem: error.message })).catch(() => {});

const again = () => { if (state.count) { wait = FIRST; send().catch(() => {}); } };
onTabs("queue", () => look());
// What is in the pack is not shown twice, not even by those who hear of the pack next.
pack.onPack(() => { state.shown = lacking(state.taps); look(); });
addEventListener("online", again);
addEventListener("beforeunload", (event) => { if (state.count && !state.lasting) event.preventDefault(); });
document.addEventListener("visibilitychange", () => { if (!document.hidden) again(); });
whenReady.then(again);
