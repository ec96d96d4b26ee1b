// The pack with the waiting taps folded in, and what can be pressed next. Pure: no page, no clock, no store.
import { counting, Fold, moments, stageOf } from "./fold.js";
import { layByItself, lieDown } from "./holds.js";

const at = (iso) => (iso ? Date.parse(iso) : null);

// The pack as the server would make it if it had the taps already. now: ms since 1970 by the server's clock.
// earlier: Map of a tap's id -> {pack, has}: the pack from before that tap and the ids of the taps that are in it, so that
// a press can be taken back which the server has stored.
export const apply = (pack, taps, now, earlier = new Map()) => {
  const waits = new Set(taps.map((tap) => tap.id));
  const voids = taps.filter((tap) => tap.kind === "void");
  const back = voids.find((tap) => !waits.has(tap.corrects) && earlier.has(tap.corrects));
  const { pack: base, has } = back ? earlier.get(back.corrects) : { pack, has: new Set() };
  const { stages, facts } = readOnce(base);
  const fold = new Fold(stages, facts);
  const counted = counting(taps).filter((tap) => !has.has(tap.id));
  const when = moments(taps, now);
  for (const tap of counted) fold.take(tap, when.get(tap.id));
  const last = lastTaps(base, counted, when);
  const jobs = base.jobs.map((job) => jobOf(job, fold, base, now, last.get(job.number)));
  jobs.sort((a, b) => (at(b.last_at) ?? 0) - (at(a.last_at) ?? 0));
  const gone = voids.some((tap) => tap.corrects === pack.last_press?.id);
  return { ...pack, last_press: gone ? null : pack.last_press, jobs };
};

// What is read of a pack once, however often taps are folded onto it.
const read = new WeakMap();
const readOnce = (pack) => {
  if (!read.has(pack)) read.set(pack, { stages: stagesOf(pack), facts: factsOf(pack) });
  return read.get(pack);
};

const stagesOf = (pack) => new Map(pack.jobs.flatMap((job) => job.stages.map((stage) => [stage.id, stage])));
const isHold = (pack, stage) => Boolean(pack.kinds[stage.kind]?.hold);

const factsOf = (pack) => {
  const follows = new Map(), precedes = new Map(), where = new Map();
  const holds = new Set(), lay = new Map(), startOnly = new Set();
  for (const job of pack.jobs) {
    for (const { before, after } of job.edges) {
      follows.set(before, [...(follows.get(before) ?? []), after]);
      precedes.set(after, [...(precedes.get(after) ?? []), before]);
    }
    for (const stage of job.stages) {
      if (isHold(pack, stage)) holds.add(stage.id);
      if (isHold(pack, stage) && layByItself(job, stage)) lay.set(stage.id, (at(stage.finished_at ?? stage.lies_until) - at(stage.started_at)) / 1000);
      if (pack.kinds[stage.kind]?.start_only) startOnly.add(stage.id);
      for (const person of stage.people) where.set(person, stage.id);
    }
  }
  const alone = new Set(pack.machines.filter((one) => one.alone).map((one) => one.id));
  return { follows, precedes, where, holds, lay, startOnly, alone, otherWork: pack.other_work ?? null };
};

const lastTaps = (pack, taps, when) => {
  const job = new Map(pack.jobs.flatMap((one) => one.stages.map((stage) => [stage.id, one.number])));
  return new Map(taps.map((tap) => [job.get(tap.stage), when.get(tap.id)]));
};

const jobOf = (job, fold, pack, now, last) => {
  const touched = job.stages.some((stage) => fold.watches.get(stage.id)?.touched);
  if (!touched && !byTheClock(job)) return job;
  const stages = job.stages.map((stage) => (touched && fold.watches.has(stage.id) ? stageOf(stage, fold.watches.get(stage.id)) : { ...stage }));
  if (touched) lieDown(job, stages, new Set(stages.filter((stage) => isHold(pack, stage)).map((stage) => stage.id)), fold.watches);
  for (const stage of stages) settle(stage, now);
  for (const stage of stages) wait(job, stage, stages, pack, now);
  const done = stages.length > 0 && stages.every((stage) => stage.state === "finished");
  const begun = touched && stages.some((stage) => stage.state !== "waiting");
  const status = job.status === "cancelled" ? job.status : done ? "finished" : begun ? "in_hand" : job.status;
  return { ...job, stages, status, last_at: last ? new Date(Math.max(last, at(job.last_at) ?? 0)).toISOString() : job.last_at };
};

// Whether something of a job is another as time goes by.
const byTheClock = (job) => job.stages.some((stage) => stage.lies_until) || job.edges.some((edge) => edge.lag_min);

// When the pack will next be another by itself: the first end ahead of what lies, or of a lag behind it.
export const changesAt = (pack, now) => {
  const ahead = pack.jobs.filter(byTheClock).flatMap((job) => job.stages.filter((stage) => stage.state === "finished" && stage.finished_at)
    .flatMap((stage) => [0, ...job.edges.filter((edge) => edge.before === stage.id).map((edge) => edge.lag_min)].map((lag) => at(stage.finished_at) + lag * 60000)));
  return Math.min(...ahead.filter((one) => one > now));
};

// A hold that lies has its end ahead; once that has passed it is simply finished.
const settle = (stage, now) => {
  const end = at(stage.finished_at ?? stage.lies_until);
  stage.finished_at = stage.state === "finished" && end !== null ? new Date(end).toISOString() : stage.finished_at;
  stage.lies_until = stage.state === "finished" && end > now ? stage.finished_at : null;
};

// Whether a stage may begin, and what it waits for.
const wait = (job, stage, stages, pack, now) => {
  const byId = new Map(stages.map((one) => [one.id, one]));
  const arrows = job.edges.filter((edge) => edge.after === stage.id && byId.has(edge.before));
  const over = (one) => { const end = at(one.finished_at); return one.state === "finished" && end !== null && end <= now; };
  const passed = (edge) => {
    const before = byId.get(edge.before);
    if (edge.kind === "attended" && runsAlone(before)) return true;
    return over(before) && at(before.finished_at) + edge.lag_min * 60000 <= now;
  };
  stage.ready = stage.state === "waiting" && arrows.every(passed);
  stage.waits_for = [...new Set(arrows.map((edge) => edge.before))].filter((key) => !over(byId.get(key)));
};

const runsAlone = (stage) => stage.state === "running" && stage.on !== null && !stage.people.length;

// Seconds on the stage now.
export const secondsNow = (stage, now) => stage.seconds + (stage.since ? Math.max(0, now - at(stage.since)) / 1000 : 0);

// Seconds of the lap that runs.
export const lapNow = (stage, now) => Math.max(0, secondsNow(stage, now) - (stage.lap_base ?? 0));

// How the stage stands to the one who presses: 'alone' where it runs without them.
export const stateFor = (pack, stage, person) => {
  const mine = person === null || stage.people.includes(person) || isHold(pack, stage);
  return stage.state === "running" && !mine ? "alone" : stage.state;
};

// The stage to show: the one asked for, else the one with somebody at it, else any begun one, else the first ready one.
export const chosenOf = (pack, job, asked, person = null) => {
  const { stages } = job;
  const begun = stages.filter((stage) => ["running", "paused", "put_aside"].includes(stage.state));
  const ready = stages.filter((stage) => stage.ready);
  return stages.find((stage) => stage.id === asked)
    ?? begun.find((stage) => person !== null && stage.people.includes(person))
    ?? begun.find((stage) => stage.people.length || (stage.state === "running" && stage.on === null))
    ?? begun.find((stage) => stage.state !== "running")
    ?? begun[0]
    ?? ready.find((stage) => !isHold(pack, stage))
    ?? ready[0]
    ?? stages.find((stage) => stage.state !== "finished")
    ?? null;
};

const idle = (pack, stage) => stage.state === "waiting" && !isHold(pack, stage);

// The stages that may begin once this one is finished, those behind it first.
export const followingOf = (pack, job, chosen) => {
  const behind = new Set(job.edges.filter((edge) => edge.before === chosen.id).map((edge) => edge.after));
  const beside = new Set(wantedBeside(pack, job, chosen).map((stage) => stage.id)); // no reason to finish the one in hand
  const lags = new Set(job.edges.filter((edge) => edge.before === chosen.id && edge.lag_min).map((edge) => edge.after));
  const free = job.stages.filter((stage) => stage.id !== chosen.id && idle(pack, stage) && !lags.has(stage.id) && !beside.has(stage.id)
    && stage.waits_for.every((key) => key === chosen.id));
  return [...free.filter((stage) => behind.has(stage.id)), ...free.filter((stage) => !behind.has(stage.id))].slice(0, 4);
};

// Whether the stage goes on with nobody beside it on the machine that it is on, or would be on.
export const mayRunAlone = (pack, stage) => {
  const machine = pack.machines.find((one) => one.id === (stage.on ?? stage.machine));
  return Boolean(machine?.alone && pack.kinds[stage.kind]?.start_only);
};

// The stages that may be begun beside one that runs on by itself.
export const besideOf = (pack, job, chosen) => {
  if (chosen.state !== "running" || !mayRunAlone(pack, chosen)) return [];
  const free = (stage) => stage.waits_for.length === 0 && stage.ready;
  const attended = (stage) => job.edges.filter((edge) => edge.after === stage.id && stage.waits_for.includes(edge.before))
    .every((edge) => edge.before === chosen.id && edge.kind === "attended");
  return job.stages.filter((stage) => stage.id !== chosen.id && idle(pack, stage) && (free(stage) || attended(stage))).slice(0, 4);
};

// Those among them that the route has begun while the chosen one runs on by itself.
export const wantedBeside = (pack, job, chosen) => (pack.kinds[chosen.kind]?.hold ? [] : besideOf(pack, job, chosen)
  .filter((stage) => job.edges.some((edge) => edge.before === chosen.id && edge.after === stage.id && edge.kind === "attended")));

// The stages from which the work could be done again: the chosen one and those on the way to it that have been begun.
export const againFrom = (pack, job, chosen) => {
  const found = new Set([chosen.id]);
  for (const key of found) for (const edge of job.edges) if (edge.after === key) found.add(edge.before);
  return job.stages.filter((stage) => found.has(stage.id) && stage.state !== "waiting" && !isHold(pack, stage)).reverse();
};

// The running stages, paused and put-aside ones of every job, the latest first.
export const begunOf = (pack) => {
  const order = ["running", "paused", "put_aside"];
  const began = (stage) => at(stage.since) ?? at(stage.paused_since) ?? at(stage.started_at) ?? 0;
  return pack.jobs.flatMap((job) => job.stages.filter((stage) => order.includes(stage.state)).map((stage) => ({ job, stage })))
    .sort((a, b) => order.indexOf(a.stage.state) - order.indexOf(b.stage.state) || began(b.stage) - began(a.stage));
};

// Machines that are clocked on more stages than they take.
export const crowdsOf = (pack) => pack.machines.map((machine) => {
  const on = pack.jobs.flatMap((job) => job.stages.filter((stage) => stage.on === machine.id).map((stage) => ({ job, stage })));
  return { machine, on };
}).filter(({ machine, on }) => on.length > (machine.capacity ?? 1));

// A job that is to be gone on with; one that is cancelled is in the pack only to be stopped.
export const isOpen = (job) => !["finished", "cancelled"].includes(job.status);

// The jobs that match what is typed: a number, a title, a customer.
export const search = (pack, typed) => {
  const words = typed.trim().toLowerCase().split(/\s+/).filter(Boolean);
  const text = (job) => `${job.number} ${job.title} ${job.customer ?? ""} ${job.type ?? ""}`.toLowerCase();
  return pack.jobs.filter((job) => isOpen(job) && words.every((word) => text(job).includes(word)));
};
