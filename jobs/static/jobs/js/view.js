// What the floor's first page shows: the press most likely wanted, what runs, what rests, and the jobs.
import { h, joined } from "./dom.js";
import { begunOf, chosenOf, crowdsOf, isOpen, search, secondsNow, stateFor } from "./model.js";
import { alsoPresses, machineName, mainPress, otherPresses, pauseFold, resumePress, startPress } from "./presses.js";
import { shopClock, shopTime, STATES } from "./words.js";

const MOST = 12; // jobs listed before anything is typed

export const addressOf = (job, stage = null) => `/floor/${job.number}/${stage ? `?stage=${stage.id}` : ""}`;
export const jobName = (job) => `${job.number} ${job.title}`;

// A running time, kept going by the page's one clock; see ticking.js.
export const bigTime = (stage, now) => h("p.big-time", { dataset: { ticking: "", baseSeconds: String(stage.seconds), ...(stage.since ? { since: String(Date.parse(stage.since)) } : {}) } }, clockAt(secondsNow(stage, now)));

const clockAt = (seconds) => {
  const whole = Math.max(0, Math.floor(seconds)), two = (value) => String(value).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
};

export const peopleWords = (see, stage) => stage.people.map((key) => see.pack.people.find((one) => one.id === key)?.name).filter(Boolean).join(", ");

// "Wide printer, Ada", "Wide printer runs alone", "Customer, since 10:15".
export const aboutStage = (see, stage) => {
  if (stage.paused_since) {
    const cause = see.pack.causes.find((one) => one.id === stage.cause)?.name ?? "Paused";
    return h("p.about", {}, `${cause}, since ${shopClock(stage.paused_since, see.zone)}`);
  }
  const machine = stage.on === null ? null : h("strong", {}, machineName(see, stage.on));
  const people = peopleWords(see, stage);
  if (!machine && !people) return null;
  return h("p.about", {}, machine, machine && !people && " runs alone", machine && people && ", ", people);
};

// More stages on a machine than it takes: said, and led to.
export const crowdNotices = (see, number = null) => crowdsOf(see.pack)
  .filter(({ on }) => number === null || on.some(({ job }) => job.number === number))
  .map(({ machine, on }) => h("div.notice.caution", {}, h("p", {}, h("strong", {}, machine.name), " is clocked on more than it takes: ",
    joined(on.map(({ job, stage }) => h("a", { href: addressOf(job, stage) }, `${stage.name} of ${jobName(job)}`))), ". Stop the one that no longer runs.")));

// The keys of a bench's keyboard are those of the first card.
const card = (page, job, stage, lead) => {
  const see = lead ? page : { ...page, keys: false };
  const state = stateFor(see.pack, stage, see.person);
  const resting = state === "paused" || state === "put_aside";
  return h("article.floor-now", { class: resting ? "is-paused" : state === "waiting" ? "is-still" : "", dataset: { state, stage: String(stage.id), ...(lead ? { lead: "" } : {}) } },
    h("h2", {}, h("a", { href: addressOf(job, stage), dataset: { key: `card-${stage.id}` } }, stage.name), state !== "running" && state !== "alone" && stateTag(see, stage)),
    stage.state === "waiting" ? null : bigTime(stage, see.now),
    h("p.card-job", {}, `${jobName(job)}${job.customer ? `, ${job.customer}` : ""}`),
    aboutStage(see, stage),
    h("div.taps.main-tap", {}, mainPress(see, job, stage)),
    h("div.taps.pair", {}, pauseFold(see, stage), otherPresses(see, job, stage), alsoPresses(see, job, stage).slice(0, 1)));
};

export const stateTag = (see, stage) => h("span.tag", { class: stage.state === "running" ? "on" : "", dataset: { stateWord: "" } },
  stage.lies_until ? "Lies" : stage.state === "waiting" ? (stage.ready ? "Ready" : "Waits") : STATES[stage.state]);

// The stage that the one who presses most likely wants: the one in hand, else that of the job clocked last.
export const leadOf = (see) => {
  const mine = begunOf(see.pack).find(({ stage }) => stage.state === "running" && see.person !== null && stage.people.includes(see.person));
  if (mine) return mine;
  for (const job of see.pack.jobs.filter(isOpen)) {
    const stage = chosenOf(see.pack, job, null, see.person);
    if (stage && !stage.lies_until && (stage.state !== "waiting" || stage.ready)) return { job, stage };
  }
  return null;
};

const nowText = (job) => {
  const begun = job.stages.filter((one) => ["running", "paused", "put_aside"].includes(one.state));
  if (begun.length) return begun.map((one) => `${one.name} ${STATES[one.state].toLowerCase()}`).join(", ");
  const ready = job.stages.filter((one) => one.ready);
  return ready.length ? `Next: ${ready.map((one) => one.name).join(", ")}` : "";
};

// A job or a resting stage in one row: where it leads, and its one press.
const row = (href, title, lines, button) => h("li.floor-row", {},
  h("a.tap", { href, dataset: { key: href } }, title, lines.filter(Boolean).map((line) => h("small", {}, line))), button);

const plain = (job, stage) => ({ cls: "tap", key: null, of: `${stage.name} of ${jobName(job)}` });

const restRow = (see, { job, stage }) => {
  const cause = see.pack.causes.find((one) => one.id === stage.cause)?.name;
  const since = stage.paused_since ? `, since ${shopClock(stage.paused_since, see.zone)}` : "";
  const button = stage.state === "paused" ? resumePress(see, stage, plain(job, stage)) : startPress(see, stage, "Start", plain(job, stage));
  return row(addressOf(job, stage), stage.name, [jobName(job), `${STATES[stage.state]}${cause ? `: ${cause}` : ""}${since}`], button);
};

const jobRow = (see, job) => {
  const due = job.due_at ? `due ${shopTime(job.due_at, see.zone, see.now)}` : "";
  const stage = chosenOf(see.pack, job, null, see.person);
  const startable = stage && stage.state === "waiting" && stage.ready && !see.pack.kinds[stage.kind]?.hold;
  const button = startable ? startPress(see, stage, "Start", plain(job, stage)) : null;
  return row(addressOf(job), jobName(job), [[job.customer, due].filter(Boolean).join(", "), nowText(job)], button);
};

// The jobs that are found, or the first of all.
export const foundJobs = (see) => {
  const { q } = see.ui;
  const jobs = search(see.pack, q);
  const shown = q.trim() ? jobs.slice(0, 40) : jobs.slice(0, MOST);
  return [
    h("h2", {}, q.trim() ? "Found" : "Jobs"),
    shown.length ? h("ul.floor-rows", {}, shown.map((job) => jobRow(see, job)))
      : h("div.empty", {}, h("p", {}, q.trim() ? `No open job matches “${q.trim()}”.` : "No job is promised or in hand. A job stands here once its date is promised."),
        h("p", {}, h("a.button", { href: q.trim() ? `/jobs/?status=all&q=${encodeURIComponent(q.trim())}` : "/jobs/" }, q.trim() ? "Look among all jobs" : "All jobs"))),
    shown.length < jobs.length && h("p.hint", {}, `${jobs.length - shown.length} more: type a number, a title or a customer.`),
  ];
};

// The floor's first page. find: the search's own form, kept over renderings so that typing is not disturbed.
export const floorPage = (see, find) => {
  const lead = leadOf(see), begun = begunOf(see.pack);
  const isLead = ({ stage }) => stage.id === lead?.stage.id;
  const running = begun.filter((one) => one.stage.state === "running" && !isLead(one));
  const resting = begun.filter((one) => one.stage.state !== "running" && !isLead(one));
  return [
    crowdNotices(see),
    lead && card(see, lead.job, lead.stage, true),
    running.map(({ job, stage }) => card(see, job, stage, false)),
    resting.length > 0 && [h("h2", {}, "Paused"), h("ul.floor-rows", {}, resting.map((one) => restRow(see, one)))],
    find,
    h("div", { dataset: { found: "" } }, foundJobs(see)),
  ];
};
