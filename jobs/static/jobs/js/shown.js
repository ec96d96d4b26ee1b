// What the device believes: the last pack, the taps that it may lack, and the last press, which may be taken back.
import { apply } from "./model.js";
import { moment } from "./fold.js";

const UNDO = 10000; // ms for which the last press is offered to be taken back
const FORGOTTEN = 15000; // ms after which no earlier pack is needed any more

export class Shown {
  constructor() {
    this.pack = null;
    this.queue = { count: 0, taps: [], shown: [], refused: [], problem: "", login: false, connected: true, lasting: true };
    this.fresh = []; // pressed, and not yet stored
    this.earlier = new Map();
    this.pressed = []; // {tap, at} of this page, the last one last
  }

  // The taps that the pack may lack, each once.
  get taps() {
    return [...new Map([...this.queue.shown, ...this.fresh].map((tap) => [tap.id, tap])).values()];
  }

  at(now) {
    return apply(this.pack, this.taps, now, this.earlier);
  }

  take(pack) {
    this.pack = pack;
  }

  // A press, before it is stored. before: the pack as it was shown until now.
  press(tap, before) {
    this.forget();
    this.earlier.set(tap.id, { pack: before, has: new Set(this.taps.map((one) => one.id)), at: performance.now() });
    this.fresh.push(tap);
    this.pressed.push({ tap, at: performance.now() });
  }

  stored(tap) {
    this.fresh = this.fresh.filter((one) => one.id !== tap.id);
  }

  // It could not be stored: it did not happen.
  unpress(tap) {
    this.stored(tap);
    this.pressed = this.pressed.filter((one) => one.tap.id !== tap.id);
  }

  forget() {
    const old = performance.now() - FORGOTTEN;
    for (const [id, one] of this.earlier) if (one.at < old) this.earlier.delete(id);
    this.pressed = this.pressed.filter((one) => one.at > old);
  }

  // The press that may be taken back, and for how many ms yet; null for none. now: by the server's clock.
  undo(now) {
    const voids = [...this.pressed.map((one) => one.tap), ...this.taps].filter((tap) => tap.kind === "void");
    const gone = new Set([...voids.map((tap) => tap.corrects), ...this.queue.refused.map((one) => one.id)]);
    const [tap, left] = this.lastPress(now);
    return tap && left > 0 && tap.kind !== "void" && !gone.has(tap.id) ? { tap, left } : null;
  }

  // This page's last press; else the latest of those that wait, as another tab pressed it, and the one that the pack has.
  lastPress(now) {
    const own = this.pressed.at(-1);
    if (own) return [own.tap, own.at + UNDO - performance.now()];
    const last = this.pack?.last_press;
    const waiting = this.taps.reduce((late, tap) => (late && moment(late) > moment(tap) ? late : tap), null);
    if (waiting && (!last || moment(waiting) > Date.parse(last.at))) return [waiting, moment(waiting) + UNDO - now];
    return [last, last ? Date.parse(this.pack.now) + last.seconds_left * 1000 - now : 0];
  }

  // How many taps wait to be sent: only what is on the disk is said to be kept.
  get waits() {
    return this.queue.taps.length;
  }

  // Seconds for which the oldest waiting tap has waited. now: by the server's clock.
  oldest(now) {
    const moments = this.queue.taps.map(moment);
    return moments.length ? (now - Math.min(...moments)) / 1000 : 0;
  }
}
