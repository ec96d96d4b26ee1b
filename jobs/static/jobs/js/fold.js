// The server's fold, gone on with on the device: from the stopwatches as the pack has them, by the taps that wait.
// Pure. Instants are milliseconds since 1970; stages, people, machines and causes are the pack's own keys.

// At one instant what ends comes before what begins; the same order as the server's.
const ORDER = ["sitting", "lap", "finish", "aside", "pause", "leave", "next", "resume", "start", "again", "vouch", "void"];
const TRUSTED = 5000; // ms: a device's clock that is off by no more is taken at its word, as the server does

const rank = (tap) => ORDER.indexOf(tap.kind);

// When a tap happened by the server's clock.
export const moment = (tap) => {
  const offset = Math.abs(tap.offset_ms ?? 0) > TRUSTED ? tap.offset_ms : 0;
  return Date.parse(tap.at) + offset;
};

// When each of these happened, by its id: none later than now, and those ahead a microsecond apart in their order, as the
// server stores them. By a device's clock that is trusted, a press may be seconds ahead of the server's.
export const moments = (taps, now) => {
  const ahead = [...new Set(taps.map(moment).filter((one) => one > now))].sort((a, b) => b - a);
  const back = new Map(ahead.map((one, i) => [one, now - i / 1000]));
  return new Map(taps.map((tap) => [tap.id, back.get(moment(tap)) ?? moment(tap)]));
};

// The taps that count, in their order: those that another one takes back are gone, and those that did so, if it was a void.
export const counting = (taps) => {
  const byId = new Map(taps.map((tap) => [tap.id, tap]));
  const correctors = new Map();
  for (const tap of byId.values()) if (tap.corrects) correctors.set(tap.corrects, [...(correctors.get(tap.corrects) ?? []), tap]);
  const settled = new Map();
  const stands = (tap, way = new Set()) => {
    if (settled.has(tap.id)) return settled.get(tap.id);
    if (way.has(tap.id)) return false; // in a circle
    way.add(tap.id);
    const found = !(correctors.get(tap.id) ?? []).some((one) => stands(one, way));
    settled.set(tap.id, found);
    return found;
  };
  return [...byId.values()]
    .filter((tap) => tap.kind !== "void" && stands(tap))
    .sort((a, b) => moment(a) - moment(b) || rank(a) - rank(b) || (a.id < b.id ? -1 : 1));
};

const ms = (iso) => (iso ? Date.parse(iso) : null);

// One stage's stopwatch. `spans` are those that have ended since the pack was made, `base` the seconds before.
const watchOf = (stage, hold) => {
  const since = ms(stage.since);
  const goes = stage.state === "running" && since !== null;
  return {
    state: stage.state,
    started: ms(stage.started_at) ?? (stage.state === "waiting" ? null : -Infinity),
    begun: stage.state === "waiting" ? null : ms(stage.started_at) ?? -Infinity, // as started, but since it was last to be done again
    finished: ms(stage.finished_at ?? stage.lies_until),
    hands: new Map(goes ? stage.people.map((person) => [person, since]) : []),
    machine: goes && stage.on !== null ? { id: stage.on, from: since } : null,
    lastMachine: stage.on ?? stage.last_on ?? (stage.state === "waiting" ? null : stage.machine),
    pause: stage.paused_since ? { from: ms(stage.paused_since), cause: stage.cause } : null,
    hold: goes && hold ? since : null,
    nobody: goes && !hold && !stage.people.length && stage.on === null ? since : null, // somebody who gave no name
    base: stage.seconds ?? 0,
    spans: [],
    laps: stage.laps ?? 0,
    lapFrom: stage.state === "put_aside" ? null : ms(stage.lap_from), // none lasts where no sitting does
    lapBase: stage.lap_base ?? null,
    lapPressed: Boolean(stage.laps && stage.lap_from && stage.state !== "put_aside"),
    lastLap: stage.last_lap ?? null,
    clocked: false, // of a hold: somebody pressed that it began
    pressed: null, // and when that it was over, where nobody pressed that it began
    touched: false,
  };
};

// Seconds that the ended spans cover, as far as they lie before `until`.
const union = (spans, until) => {
  let total = 0, reached = -Infinity;
  for (const [start, end] of [...spans].sort((a, b) => a[0] - b[0] || a[1] - b[1])) {
    const from = Math.max(start, reached), to = Math.min(end, until);
    if (to > from) { total += to - from; reached = to; }
  }
  return total / 1000;
};

const openFrom = (watch) => {
  const starts = [...watch.hands.values(), watch.machine?.from, watch.hold, watch.nobody].filter((one) => one !== undefined && one !== null);
  return starts.length ? Math.min(...starts) : null;
};

// Seconds on the stage up to an instant: of somebody or its machine at it, or of its lying.
const secondsAt = (watch, at) => {
  const open = openFrom(watch);
  return watch.base + union(open === null ? watch.spans : [...watch.spans, [open, at]], at);
};

export class Fold {
  // stages: Map of key -> the pack's stage; facts: {startOnly, alone, holds: Sets; lay: Map of seconds; otherWork; follows: Map; where: Map}.
  constructor(stages, facts) {
    this.stages = stages;
    this.facts = facts;
    this.where = new Map(facts.where);
    this.watches = new Map();
  }

  watch(key) {
    if (!this.watches.has(key)) this.watches.set(key, watchOf(this.stages.get(key), this.facts.holds.has(key)));
    return this.watches.get(key);
  }

  // at: when the tap happened.
  take(tap, at) {
    if (!this.stages.has(tap.stage)) return; // its job is not in the pack
    const event = { ...tap, at, person: tap.person ?? null };
    if (tap.kind === "again") this.again(event);
    else if (this.facts.holds.has(tap.stage)) this.takeHold(event);
    else this.takeWork(event);
    this.watch(tap.stage).touched = true;
    if (tap.kind !== "next" || !this.stages.has(tap.to_stage)) return;
    if (this.facts.holds.has(tap.to_stage)) this.takeHold({ ...event, stage: tap.to_stage, kind: "start" });
    else this.start(tap.to_stage, event);
    this.watch(tap.to_stage).touched = true;
  }

  takeWork(event) {
    const { stage, at } = event;
    switch (event.kind) {
      case "start": case "resume": return this.start(stage, event);
      case "finish": case "next": return this.finish(stage, event);
      case "pause": return this.pause(stage, at, event.cause ?? null);
      case "leave": return this.leave(stage, event.person, at);
      case "aside": return this.aside(stage, event);
      case "lap": return this.cutLap(this.watch(stage), event);
      default: return undefined;
    }
  }

  start(stage, event) {
    const watch = this.watch(stage), { at, person } = event;
    const resumes = ["paused", "put_aside", "finished"].includes(watch.state);
    if (person !== null) {
      const before = this.where.get(person);
      if (before !== undefined && before !== stage && this.stages.has(before)) this.leave(before, person, at);
      this.where.set(person, stage);
    }
    watch.pause = null;
    if (!watch.hands.has(person)) watch.hands.set(person, at);
    const machine = event.machine ?? (resumes ? watch.lastMachine : null);
    if (machine !== null && watch.machine?.id !== machine) {
      this.endMachine(watch, at);
      watch.machine = { id: machine, from: at };
      watch.lastMachine = machine;
    }
    Object.assign(watch, { state: "running", finished: null });
    this.begin(watch, at);
    if (watch.lapFrom === null) Object.assign(watch, { lapFrom: at, lapBase: secondsAt(watch, at), lapPressed: false });
  }

  begin(watch, at) {
    watch.started = Math.min(watch.started ?? at, at);
    watch.begun = Math.min(watch.begun ?? at, at);
  }

  pause(stage, at, cause) {
    const watch = this.watch(stage);
    if (watch.state !== "running") return; // nothing ran that could be paused
    this.endWork(watch, at);
    Object.assign(watch, { state: "paused", pause: { from: at, cause } });
  }

  leave(stage, person, at) {
    const watch = this.watch(stage);
    watch.touched = true;
    for (const one of person !== null ? [person] : [...watch.hands.keys()]) {
      if (!watch.hands.has(one)) continue;
      this.ended(watch, watch.hands.get(one), at);
      watch.hands.delete(one);
      const alone = watch.machine && this.facts.alone.has(watch.machine.id) && this.facts.startOnly.has(stage);
      if (!watch.hands.size && watch.state === "running" && !alone) this.pause(stage, at, this.facts.otherWork);
    }
  }

  aside(stage, event) {
    const watch = this.watch(stage);
    if (watch.state !== "running" && watch.state !== "paused") return;
    this.endSitting(watch, event);
    watch.state = "put_aside";
  }

  finish(stage, event) {
    const watch = this.watch(stage), { at } = event;
    if (watch.state === "finished") return; // finished once already; a second press does not move it
    this.endSitting(watch, event);
    Object.assign(watch, { state: "finished", finished: at, redone: false });
    this.begin(watch, at);
  }

  endSitting(watch, event) {
    this.endWork(watch, event.at);
    watch.pause = null;
    if (watch.lapPressed || event.element) this.cutLap(watch, event);
    Object.assign(watch, { lapFrom: null, lapBase: null, lapPressed: false });
  }

  takeHold(event) {
    const watch = this.watch(event.stage), { kind, at } = event;
    if ((kind === "start" || kind === "resume") && watch.hold === null) {
      if (this.layBefore(event.stage, watch)) Object.assign(watch, { base: watch.base - this.facts.lay.get(event.stage), started: null, begun: null });
      Object.assign(watch, { hold: at, state: "running", finished: null, clocked: true });
      this.begin(watch, at);
    } else if (["pause", "aside", "finish", "next"].includes(kind)) {
      const lay = watch.hold === null && !watch.clocked && (watch.begun === null || this.layBefore(event.stage, watch)); // nobody clocked that it began
      if (watch.hold !== null) { this.ended(watch, watch.hold, at); watch.hold = null; }
      if (kind === "finish" || kind === "next") this.over(watch, at, lay);
      else if (watch.state === "running") watch.state = "put_aside";
    }
  }

  layBefore(stage, watch) {
    return this.facts.lay.has(stage) && !watch.clocked && !watch.relaid;
  }

  // A hold that lies by itself is over when it is pressed to be; one that is over stays so.
  over(watch, at, lay) {
    if (lay) Object.assign(watch, { pressed: watch.pressed ?? at, finished: watch.pressed ?? at });
    else if (watch.pressed === null) watch.clocked = true;
    Object.assign(watch, { state: "finished", finished: watch.finished ?? at });
    this.begin(watch, at);
  }

  // A lap ends and the next begins, where a sitting lasts and anything ran since the last one.
  cutLap(watch, event) {
    if (watch.lapFrom === null) return;
    const total = secondsAt(watch, event.at), seconds = total - (watch.lapBase ?? 0);
    Object.assign(watch, { lapFrom: event.at, lapBase: total, lapPressed: true });
    if (seconds > 0) Object.assign(watch, { laps: watch.laps + 1, lastLap: { element: event.element ?? null, seconds } });
  }

  // From to_stage up to the stage the work is done again: what was finished there is so no more.
  again(event) {
    const from = event.to_stage ?? event.stage;
    const behind = this.reach(event.stage, this.facts.precedes);
    const among = [...this.reach(from, this.facts.follows)].filter((key) => key === from || behind.has(key));
    const begun = new Set(among.filter((key) => this.stages.has(key) && this.watch(key).begun !== null));
    for (const key of begun) {
      const watch = this.watch(key);
      watch.touched = true;
      if (this.facts.holds.has(key) && (this.facts.precedes.get(key) ?? []).some((one) => begun.has(one))) this.lieAgain(watch, event.at);
      else this.workAgain(watch, event.at, this.facts.holds.has(key));
    }
  }

  workAgain(watch, at, hold) {
    if (!watch.redone) this.cut(watch, at);
    watch.redone = true;
    watch.begun = watch.state === "running" ? at : null;
    if (watch.state === "finished") Object.assign(watch, { state: "put_aside", finished: null });
    if (hold) Object.assign(watch, { clocked: true, pressed: null }); // it waits to be clocked
  }

  // What lasts is cut in two: from here on its minutes are of work done again.
  cut(watch, at) {
    for (const [person, from] of watch.hands) { this.ended(watch, from, at); watch.hands.set(person, at); }
    if (watch.machine) { this.ended(watch, watch.machine.from, at); watch.machine.from = at; }
    for (const lasting of ["nobody", "hold"]) {
      if (watch[lasting] !== null) { this.ended(watch, watch[lasting], at); watch[lasting] = at; }
    }
    if (watch.pause) watch.pause.from = at;
  }

  // What it follows is done again, so it lies again after that.
  lieAgain(watch, at) {
    if (watch.hold !== null) this.ended(watch, watch.hold, at);
    if (watch.finished > at) watch.base -= (watch.finished - at) / 1000; // it lay only until now
    Object.assign(watch, { relaid: true, hold: null, state: "waiting", started: null, finished: null, begun: null, clocked: false, pressed: null });
  }

  reach(key, arrows) {
    const found = new Set([key]);
    for (const here of found) for (const next of arrows.get(here) ?? []) found.add(next);
    return found;
  }

  endWork(watch, at) {
    for (const from of watch.hands.values()) this.ended(watch, from, at);
    if (watch.nobody !== null) this.ended(watch, watch.nobody, at);
    watch.hands.clear();
    watch.nobody = null;
    this.endMachine(watch, at);
  }

  endMachine(watch, at) {
    if (watch.machine) this.ended(watch, watch.machine.from, at);
    watch.machine = null;
  }

  ended(watch, from, at) {
    if (at > from) watch.spans.push([from, at]);
  }
}

const iso = (at) => (at === null || !Number.isFinite(at) ? null : new Date(at).toISOString());

// The stopwatch as the pack says it.
export const stageOf = (stage, watch) => {
  const since = openFrom(watch);
  return {
    ...stage,
    state: watch.state,
    started_at: iso(watch.started),
    begun_at: watch.begun === null ? null : iso(Math.max(watch.begun, 0)),
    finished_at: iso(watch.finished),
    lies_until: null,
    seconds: watch.base + union(watch.spans, since ?? Infinity),
    since: iso(since),
    people: [...watch.hands.keys()].filter((person) => person !== null),
    on: watch.machine?.id ?? null,
    last_on: watch.lastMachine,
    cause: watch.pause?.cause ?? null,
    paused_since: iso(watch.pause?.from ?? null),
    laps: watch.laps,
    lap_from: iso(watch.lapFrom),
    lap_base: watch.lapBase,
    last_lap: watch.lastLap,
  };
};
