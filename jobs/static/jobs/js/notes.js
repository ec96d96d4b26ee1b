// What is said beside the stage in hand: what its machines need before they run, and what was set the last time.
import { h } from "./dom.js";

// Once it runs somewhere, only that machine matters.
const machinesOf = (stage) => (stage.on === null ? stage.machines : [stage.on]);
const nameOf = (see, key) => see.pack.machines.find((one) => one.id === key)?.name ?? "";

const readyNotice = (see, { machine, bad, due }) => h("div.notice", { class: bad ? "error" : "caution" }, h("p", {},
  h("strong", {}, nameOf(see, machine)), `, before it runs: ${due.join("; ")}. `,
  h("a", { href: `/ready/#machine-${machine}`, dataset: { key: `ready-${machine}` } }, "Get it ready")));

const lastTime = (see, job, { machine, recipe, words, note, ink, other_ink: otherInk }) => h("li", {},
  h("strong", {}, nameOf(see, machine)), ink && `, ${ink}`, otherInk && [" ", h("span.tag", {}, `other ink: ${otherInk}`)], h("br"),
  words ? `${words}.` : "Nothing is kept for this film.", " ", note && [h("span.hint", {}, note), " "],
  h("a", { href: `/recipes/new/?job=${job.number}&${recipe === null ? `machine=${machine}` : `like=${recipe}`}`, dataset: { key: `recipe-${machine}-${recipe}` } },
    "Record what worked", h("span.visually-hidden", {}, ` on ${nameOf(see, machine)}`)));

export const workNotes = (see, job, stage) => {
  const here = new Set(machinesOf(stage));
  const due = stage.state === "finished" ? [] : (see.pack.ready ?? []).filter((one) => here.has(one.machine));
  const last = (job.last_times ?? []).filter((one) => here.has(one.machine));
  return [
    due.map((one) => readyNotice(see, one)),
    last.length > 0 && h("section", {}, h("h2", {}, "Last time on this film"), h("ul.last-times", {}, last.map((one) => lastTime(see, job, one)))),
  ];
};
