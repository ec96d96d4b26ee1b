// The presses of a stage as buttons. `see` is what is looked at: {pack, person, now, zone, ui}; keys: false leaves out the keys
// of a bench's keyboard (keys.js).
import { h } from "./dom.js";
import { besideOf, followingOf, mayRunAlone, stateFor, wantedBeside } from "./model.js";

// One press. given: what the tap carries; the id, the moment and the person come when it is pressed. of: said to those who
// hear the page instead of seeing where the press stands.
export const press = (see, given, word, { cls = "tap", small = "", key: asked = null, of = "" } = {}) => {
  const key = see.keys === false ? null : asked;
  const spec = Object.fromEntries(Object.entries(given).filter(([, value]) => value !== null && value !== undefined));
  const named = Object.entries(spec).map((pair) => pair.join("=")).join();
  const nobody = see.pack.people.length > 0 && see.person === null && given.kind !== "void";
  return h(`button.${cls.replaceAll(" ", ".")}`, {
    type: "button", disabled: nobody, "aria-keyshortcuts": key, dataset: { press: JSON.stringify(spec), key: named },
  }, h("span", {}, word, of && h("span.visually-hidden", {}, ` ${of}`), key && h("kbd", { "aria-hidden": "true" }, key)), small && h("small", {}, small));
};

const machineName = (see, key) => see.pack.machines.find((one) => one.id === key)?.name ?? "";

// Where the one who presses is at work now, if that is another stage.
export const elsewhere = (see, stage) => {
  if (see.person === null) return null;
  for (const job of see.pack.jobs) {
    const found = job.stages.find((one) => one.id !== stage.id && one.people.includes(see.person));
    if (found) return { job, stage: found };
  }
  return null;
};

// What a start does to the stage that the person is at: "Print runs on", "Cut pauses".
const leavesWords = (see, stage) => {
  const there = elsewhere(see, stage);
  if (!there || there.stage.people.length > 1) return "";
  return `${there.stage.name} ${there.stage.on !== null && mayRunAlone(see.pack, there.stage) ? "runs on" : "pauses"}`;
};

// The machine that a start of a stage would take.
export const machineFor = (see, stage) => see.ui.machines.get(stage.id) ?? stage.machine;

const startNotes = (see, stage) => {
  const machine = stage.machines.length ? machineName(see, machineFor(see, stage)) : "";
  return [machine, leavesWords(see, stage)].filter(Boolean).join(", ");
};

export const startPress = (see, stage, word = "Start", { cls = "tap primary", key = "S", of = "" } = {}) =>
  press(see, { kind: "start", stage: stage.id, machine: stage.machines.length ? machineFor(see, stage) : null }, word, { cls, small: startNotes(see, stage), key, of });

export const resumePress = (see, stage, { cls = "tap primary", key = "S", of = "" } = {}) =>
  press(see, { kind: "resume", stage: stage.id, machine: stage.last_on ?? null }, "Resume", { cls, small: leavesWords(see, stage), key, of });

// The element that is being done: they come in their order, and again from the first.
export const elementOf = (see, stage) => {
  const elements = see.pack.kinds[stage.kind]?.elements ?? [];
  return elements.length ? elements[stage.laps % elements.length] : null;
};
const endsElement = (see, stage) => (stage.laps ? elementOf(see, stage)?.id ?? null : null);

const nextPress = (see, stage, to, cls, key) => {
  const machine = to.machines.length ? to.machine : null;
  const small = machine ? `finishes this one, then ${machineName(see, machine)}` : "finishes this one";
  return press(see, { kind: "next", stage: stage.id, to_stage: to.id, machine, element: endsElement(see, stage) }, `Next: ${to.name}`, { cls, small, key });
};
const finishPress = (see, stage, cls = "tap") =>
  press(see, { kind: "finish", stage: stage.id, element: endsElement(see, stage) }, "Finish", { cls, key: "F" });

const alsoPress = (see, stage, one, cls, key) =>
  press(see, { kind: "start", stage: one.id, machine: one.machines.length ? one.machine : null }, `Also: ${one.name}`, { cls, small: `${stage.name} runs on`, key });

// The large first press of a stage: what is most likely wanted next.
export const mainPress = (see, job, stage) => {
  const state = stateFor(see.pack, stage, see.person);
  if (stage.lies_until) return null;
  if (state === "waiting" || state === "put_aside") return startPress(see, stage);
  if (state === "paused") return resumePress(see, stage);
  if (state === "finished") return null;
  const [beside] = wantedBeside(see.pack, job, stage), [following] = followingOf(see.pack, job, stage);
  if (beside) return alsoPress(see, stage, beside, "tap primary", "A");
  return following ? nextPress(see, stage, following, "tap primary", "N") : finishPress(see, stage, "tap primary");
};

// Back to it, join, leave, finish, open again: as the state allows.
export const otherPresses = (see, job, stage) => {
  const state = stateFor(see.pack, stage, see.person), hold = see.pack.kinds[stage.kind]?.hold;
  const begun = ["running", "alone", "paused", "put_aside"].includes(state);
  const others = stage.people.some((one) => one !== see.person);
  const runs = state === "running" || state === "alone";
  const beside = runs && wantedBeside(see.pack, job, stage).length > 0, [following] = runs ? followingOf(see.pack, job, stage) : [];
  const finishMain = runs && !beside && !following;
  return [
    beside && following && nextPress(see, stage, following, "tap", "N"),
    !hold && state === "alone" && press(see, { kind: "start", stage: stage.id }, others ? "Join in" : "Back at it", { small: leavesWords(see, stage), key: "S" }),
    !hold && state === "running" && others && see.person !== null && press(see, { kind: "leave", stage: stage.id }, "Leave it to the others"),
    !hold && state === "running" && !others && mayRunAlone(see.pack, stage) && stage.on !== null && press(see, { kind: "leave", stage: stage.id }, "Leave it running", { small: "hands free" }),
    begun && !finishMain && finishPress(see, stage),
    state === "finished" && !stage.lies_until && startPress(see, stage, "Open again", { cls: "tap quiet" }),
  ].filter(Boolean);
};

export const pauseFold = (see, stage) => {
  const state = stateFor(see.pack, stage, see.person);
  if (!["running", "alone"].includes(state) || see.pack.kinds[stage.kind]?.hold) return null;
  const causes = see.pack.causes.filter((one) => one.pauses);
  return h("details.more", { dataset: { key: `pause-${stage.id}`, fold: "pause" } },
    h("summary.tap", { "aria-keyshortcuts": see.keys === false ? null : "P", dataset: { key: `pauses-${stage.id}` } }, h("span", {}, "Pause", see.keys !== false && h("kbd", { "aria-hidden": "true" }, "P"))),
    h("div.taps", {}, causes.map((one, i) => press(see, { kind: "pause", stage: stage.id, cause: one.id }, one.name, { key: i < 9 ? String(i + 1) : null }))));
};

// A second stage beside a machine that runs on by itself.
export const alsoPresses = (see, job, stage) => {
  if (see.pack.kinds[stage.kind]?.hold) return [];
  const state = stateFor(see.pack, stage, see.person);
  if (state !== "running" && state !== "alone") return [];
  const [main] = wantedBeside(see.pack, job, stage); // stands first already
  return besideOf(see.pack, job, stage).filter((one) => one !== main).map((one, i) => alsoPress(see, stage, one, "tap", i || main ? null : "A"));
};

export const morePresses = (see, job, stage) => {
  const state = stateFor(see.pack, stage, see.person);
  const following = ["running", "alone"].includes(state) ? followingOf(see.pack, job, stage).slice(1) : [];
  const machines = stage.on === null ? [] : stage.machines.filter((one) => one !== stage.on);
  return [
    press(see, { kind: "aside", stage: stage.id, element: endsElement(see, stage) }, "Put aside", { small: "until another day" }),
    following.map((one) => nextPress(see, stage, one, "tap", null)),
    machines.map((one) => press(see, { kind: "start", stage: stage.id, machine: one }, `Go on with ${machineName(see, one)}`, { small: "the machine changes" })),
  ].flat();
};

export { machineName };
