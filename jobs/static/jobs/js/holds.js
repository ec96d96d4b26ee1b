// Holds whose beginning nobody clocked: they lie from the last earlier finish for their fixed minutes, or until what
// follows is begun. Pure; instants are milliseconds since 1970.
const MINUTE = 60000;
const at = (iso) => (iso ? Date.parse(iso) : null);
const iso = (ms) => new Date(ms).toISOString();
const endOf = (stage) => at(stage?.finished_at ?? stage?.lies_until);

// job: as the pack has it; stages: as the taps have left them, which are changed; holds: keys; watches: the fold's, by key.
export const lieDown = (job, stages, holds, watches) => {
  const look = { job, base: byKey(job.stages), now: byKey(stages), watches };
  const open = new Set(stages.filter((stage) => holds.has(stage.id) && beganUnseen(look, stage)));
  for (let moved = true; moved;) { // one may follow another
    moved = false;
    for (const stage of open) {
      const begin = lastFinish(look, look.now, stage.id);
      if (begin === null) continue;
      lie(look, stage, begin);
      open.delete(stage);
      moved = true;
    }
  }
  for (const stage of open) { // these do not lie
    const over = pressedOver(look, stage) === null ? { state: "waiting", finished_at: null, lies_until: null, started_at: null } : {};
    if (stage.state === "finished") Object.assign(stage, over, { seconds: secondsBefore(look, stage) });
  }
};

const byKey = (stages) => new Map(stages.map((stage) => [stage.id, stage]));
const pressedOver = (look, stage) => look.watches.get(stage.id)?.pressed ?? null;
const befores = (look, key) => look.job.edges.filter((edge) => edge.after === key).map((edge) => edge.before);
const afters = (look, key) => look.job.edges.filter((edge) => edge.before === key).map((edge) => edge.after);

// When all that a stage follows was finished; null if it is not, or if it follows nothing.
const lastFinish = (look, stages, key) => {
  const ends = befores(look, key).map((one) => (stages.get(one)?.state === "finished" ? endOf(stages.get(one)) : null));
  return ends.length && !ends.includes(null) ? Math.max(...ends) : null;
};

// Whether the pack's own hold lay by itself: it began when the last stage before it ended.
const layBefore = (look, key) => {
  const base = look.base.get(key);
  return base.state === "finished" && at(base.started_at) !== null && lastFinish(look, look.base, key) === at(base.started_at);
};

// Whether a hold of the pack lies, or lay, by itself.
export const layByItself = (job, stage) => layBefore({ job, base: byKey(job.stages) }, stage.id);

const beganUnseen = (look, stage) => {
  const watch = look.watches.get(stage.id);
  if (watch?.clocked || !["waiting", "finished"].includes(stage.state)) return false;
  return stage.state === "waiting" || pressedOver(look, stage) !== null || layBefore(look, stage.id);
};

const begunAt = (stage) => (stage.begun_at === undefined ? at(stage.started_at) : at(stage.begun_at));

const lie = (look, stage, begin) => {
  const pressed = pressedOver(look, stage);
  if (pressed !== null && pressed <= begin) { stage.seconds = secondsBefore(look, stage); return; }
  const end = pressed ?? fixedEnd(look, stage, begin);
  if (end === null) return; // nobody knows how long
  const starts = afters(look, stage.id).map((key) => begunAt(look.now.get(key))).filter((one) => one !== null);
  const cut = Math.max(begin, Math.min(end, ...starts));
  Object.assign(stage, { state: "finished", started_at: iso(begin), finished_at: iso(cut), seconds: secondsBefore(look, stage) + (cut - begin) / 1000 });
};

// Seconds that it lay at earlier times.
const secondsBefore = (look, stage) => {
  const base = look.base.get(stage.id), watch = look.watches.get(stage.id);
  if (watch?.relaid || !layBefore(look, stage.id)) return stage.seconds;
  return Math.max(0, stage.seconds - (endOf(base) - at(base.started_at)) / 1000);
};

// The end that the pack had, where nothing about it has changed; else by its minutes.
const fixedEnd = (look, stage, begin) => {
  const base = look.base.get(stage.id);
  const again = afters(look, stage.id).some((key) => begunAt(look.base.get(key)) !== null && begunAt(look.now.get(key)) === null);
  if (layBefore(look, stage.id) && at(base.started_at) === begin && !again) return endOf(base);
  return (stage.hold_min ?? null) === null ? null : begin + stage.hold_min * MINUTE;
};
