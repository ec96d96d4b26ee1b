// What one job's stopwatch shows: the stage in hand, its presses, and the job's stages.
import { againFold } from "./again.js";
import { h } from "./dom.js";
import { chosenOf, lapNow, stateFor } from "./model.js";
import { workNotes } from "./notes.js";
import { alsoPresses, elementOf, machineFor, machineName, mainPress, morePresses, otherPresses, pauseFold, press } from "./presses.js";
import { aboutStage, addressOf, bigTime, crowdNotices, stateTag } from "./view.js";
import { clocked, lapText, shopClock, shopTime, STATES } from "./words.js";

const nameOf = (job, key) => job.stages.find((one) => one.id === key)?.name ?? "";

export const watchPage = (see, job) => {
  const stage = chosenOf(see.pack, job, see.ui.asked, see.person);
  const done = job.stages.every((one) => one.state === "finished");
  return [
    crowdNotices(see, job.number),
    stage ? nowOf(see, job, stage) : allDone(job, done),
    stage && workNotes(see, job, stage),
    job.stages.length > 0 && [h("h2", {}, "Stages"), h("ol.floor-stages", {}, job.stages.map((one) => stageLine(see, job, one, one.id === stage?.id)))],
  ];
};

const allDone = (job) => h("div.empty", {}, job.stages.length
  ? [h("p", {}, "Every stage is finished."), h("p", {}, h("a.button", { href: `/jobs/${job.number}/time/` }, "Where the time went"))]
  : [h("p", {}, "This job has no stages yet."), h("p", {}, h("a.button", { href: `/jobs/${job.number}/` }, "Add one at the job"))]);

const nowOf = (see, job, stage) => {
  const state = stateFor(see.pack, stage, see.person), kind = see.pack.kinds[stage.kind];
  const look = ["paused", "put_aside"].includes(state) ? "is-paused" : ["waiting", "finished"].includes(state) ? "is-still" : "";
  return h("article.floor-now", { class: look, dataset: { state, stage: String(stage.id) } },
    h("h2", {}, h("span", { dataset: { stageName: "" } }, stage.name), " ", stateTag(see, stage)),
    stage.lies_until ? lying(see, stage) : bigTime(stage, see.now),
    h("div", { dataset: { about: "" } }, aboutStage(see, stage), waitsHint(job, stage)),
    machineChoice(see, stage, state),
    !stage.lies_until && presses(see, job, stage, state),
    kind?.caution && h("p.caution", {}, kind.caution));
};

const lying = (see, stage) => [
  h("p.lies", {}, `until ${shopTime(stage.lies_until, see.zone, see.now)}`),
  h("p.hint", {}, "Starting what follows ends it sooner."),
];

const waitsHint = (job, stage) => stage.state === "waiting" && stage.waits_for.length > 0
  && h("p.hint", {}, `Waits for ${stage.waits_for.map((key) => nameOf(job, key)).join(", ")}. It can be started all the same.`);

// Only where there is something to choose, and before the stage is begun.
const machineChoice = (see, stage, state) => {
  if (stage.machines.length < 2 || !["waiting", "put_aside", "finished"].includes(state) || stage.lies_until) return null;
  const taken = machineFor(see, stage);
  return h("fieldset.machine-choice", {}, h("legend", {}, "On which machine"), h("div.cluster", {}, stage.machines.map((one) =>
    h("label.tap.small-tap", {}, h("input", { type: "radio", name: "machine", value: one, checked: one === taken, dataset: { machineOf: String(stage.id), key: `machine-${one}` } }), ` ${machineName(see, one)}`))));
};

const presses = (see, job, stage, state) => {
  const hold = see.pack.kinds[stage.kind]?.hold, begun = ["running", "alone", "paused"].includes(state);
  const lap = lapPress(see, stage, state);
  return [
    h("div.taps.main-tap", {}, mainPress(see, job, stage)),
    h("div.taps.pair", {}, pauseFold(see, stage), lap, alsoPresses(see, job, stage), otherPresses(see, job, stage)),
    !hold && begun && h("details.more", { dataset: { key: `more-${stage.id}` } }, h("summary.tap.quiet", {}, "Something else"),
      h("div.taps", {}, morePresses(see, job, stage), otherLaps(see, stage, state))),
    !hold && stage.state !== "waiting" && againFold(see, job, stage),
  ];
};

// An element has ended and the next begins. The button says which one runs and for how long.
const lapPress = (see, stage, state) => {
  if (state !== "running" && !(state === "alone" && stage.people.length)) return null;
  if (see.pack.kinds[stage.kind]?.hold) return null;
  const element = elementOf(see, stage);
  const button = press(see, { kind: "lap", stage: stage.id, element: element?.id }, element ? `Lap: ${element.name}` : `Lap ${stage.laps + 1}`, { key: "L" });
  button.append(h("small", {}, h("span", { dataset: { lap: "", base: String(stage.seconds - (stage.lap_base ?? 0)), since: stage.since ? String(Date.parse(stage.since)) : "" } }, lapText(lapNow(stage, see.now))),
    stage.last_lap && `, before it ${lastLapWords(see, stage)}`));
  return button;
};

const lastLapWords = (see, stage) => {
  const name = see.pack.kinds[stage.kind]?.elements.find((one) => one.id === stage.last_lap.element)?.name;
  return [name, lapText(stage.last_lap.seconds)].filter(Boolean).join(" ");
};

// Where another element ended than the one whose turn it is.
const otherLaps = (see, stage, state) => {
  const elements = see.pack.kinds[stage.kind]?.elements ?? [], own = elementOf(see, stage);
  if (state !== "running" || elements.length < 2) return [];
  return elements.filter((one) => one.id !== own.id).map((one) => press(see, { kind: "lap", stage: stage.id, element: one.id }, `Lap: ${one.name}`, { small: "this one ended" }));
};

const stageLine = (see, job, stage, chosen) => {
  const word = stage.lies_until ? `lies until ${shopClock(stage.lies_until, see.zone)}`
    : stage.state === "waiting" ? (stage.ready ? "ready" : "waits") : STATES[stage.state].toLowerCase();
  const alone = stage.state === "running" && stage.on !== null && !stage.people.length;
  const hint = stage.state === "waiting" ? (stage.waits_for.length ? `for ${stage.waits_for.map((key) => nameOf(job, key)).join(", ")}` : "")
    : alone ? `${machineName(see, stage.on)} runs alone`
      : stage.seconds && !stage.lies_until ? clocked(stage.seconds) : "";
  return h("li", {}, h("a.floor-stage", { href: addressOf(job, stage), "aria-current": chosen ? "true" : null, dataset: { key: `stage-${stage.id}` } },
    h("span", {}, stage.name), h("span.tag", { class: stage.state === "running" ? "on" : "" }, word), h("span.hint", {}, hint)));
};
