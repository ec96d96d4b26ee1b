// Times, numbers and presses in words, as the server's own pages say them.

const SMALL = ["No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve"];
export const STATES = { waiting: "Waiting", running: "Running", paused: "Paused", put_aside: "Put aside", finished: "Finished" };
const DONE = {
  start: "started", resume: "resumed", pause: "paused", leave: "left to go on", aside: "put aside", finish: "finished",
  sitting: "recorded", vouch: "vouched for",
};

const countWord = (count) => SMALL[count] ?? String(count);

export const waitingWords = (count) => `${countWord(count)} ${count === 1 ? "tap" : "taps"} waiting to be sent.`;

// Seconds as "under 1 min", "8 min" or "2 h 05 min".
export const clocked = (seconds) => {
  const minutes = Math.round(seconds / 60);
  if (minutes < 1) return seconds > 0 ? "under 1 min" : "0 min";
  return minutes < 60 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
};

// Seconds of a lap: "42 s", "3:07", "1:02:09".
export const lapText = (seconds) => {
  const whole = Math.max(0, Math.floor(seconds));
  if (whole < 60) return `${whole} s`;
  const two = (value) => String(value).padStart(2, "0");
  const hours = Math.floor(whole / 3600);
  return hours ? `${hours}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}` : `${Math.floor(whole / 60)}:${two(whole % 60)}`;
};

// How far this device's clock is off. offset: ms, the server's clock minus the device's.
export const offsetWords = (offset) => {
  const size = Math.abs(offset);
  const text = size < 60000 ? `${Math.round(size / 1000)} s` : clocked(size / 1000);
  return `This device's clock is ${text} ${offset > 0 ? "slow" : "fast"}. Times are put right.`;
};

const parts = (iso, zone, options) => Object.fromEntries(new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...options }).formatToParts(new Date(iso)).map((one) => [one.type, one.value]));

// "16:00" on the shop's own wall clock.
export const shopClock = (iso, zone) => {
  const { hour, minute } = parts(iso, zone, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  return `${hour}:${minute}`;
};

// "Thursday 3 December, 16:00"; with the year where it is not this one.
export const shopTime = (iso, zone, now) => {
  const { weekday, day, month, year } = parts(iso, zone, { weekday: "long", day: "numeric", month: "long", year: "numeric" });
  const { year: current } = parts(new Date(now).toISOString(), zone, { year: "numeric" });
  return `${weekday} ${day} ${month}${year === current ? "" : ` ${year}`}, ${shopClock(iso, zone)}`;
};

// What was pressed: "Print finished, Weed started". name: of a stage by its key.
export const pressWords = (tap, name) => {
  if (tap.kind === "next") return `${name(tap.stage)} finished, ${name(tap.to_stage)} started`;
  if (tap.kind === "lap") return `Lap of ${name(tap.stage)} taken`;
  if (tap.kind === "again") return `${name(tap.to_stage ?? tap.stage)} is done again`;
  return `${name(tap.stage)} ${DONE[tap.kind] ?? tap.kind}`;
};
