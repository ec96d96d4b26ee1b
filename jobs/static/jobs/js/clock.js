// What time it is on the server, whatever this device's clock says: measured at every exchange, half the way there and
// back taken off, and given up when the device's clock jumps.
const JUMP = 1000; // ms by which the device's clock may stray from the time that passes before it counts as set
const STALE = 600000; // ms after which a newer measurement is better even if it is less exact
const KEPT = 86400000; // ms for which a measurement of an earlier page is believed

// A wall clock and one that only runs on. `performance.now()` stops while some devices sleep: that looks like a jump too.
const wall = () => Date.now();
const steady = () => performance.now();

let epoch = 0; // counts the jumps of the device's clock in this page's life
let apart = wall() - steady();
let measured = null; // {offset, error, epoch, steady}
let stored = null; // {offset, wall}: of an earlier page

const look = () => {
  if (Math.abs(wall() - steady() - apart) <= JUMP) return;
  apart = wall() - steady();
  epoch += 1;
};
setInterval(look, 1000);

// An exchange is about to begin: what `learn` needs of it.
export const mark = () => { look(); return { wall: wall(), steady: steady(), epoch }; };

// What was sent at `begun` came to the server at `received` and its answer left at `done`, if it says so (ISO 8601).
// The way there is taken to be as long as the way back. Gives what to keep, or null.
export const learn = (begun, received, done = received) => {
  look();
  const came = Date.parse(received ?? ""), went = Date.parse(done ?? "");
  if (Number.isNaN(came + went) || begun.epoch !== epoch) return null;
  const way = Math.max(0, steady() - begun.steady - (went - came)) / 2;
  const found = { offset: came - begun.wall - way, error: way, epoch, steady: steady() };
  const better = !measured || measured.epoch !== epoch || found.error <= measured.error + 5 || found.steady - measured.steady > STALE;
  if (!better) return null;
  measured = found;
  return { offset: found.offset, wall: wall() };
};

// What an earlier page measured: believed for a day, unless the device's clock has gone back since.
export const trust = (kept) => {
  const age = kept ? wall() - kept.wall : -1;
  stored = age >= 0 && age < KEPT ? kept : null;
};

const fresh = () => { look(); return measured?.epoch === epoch ? measured : null; };

// Milliseconds that the server's clock is ahead of the device's; null where nothing says so.
export const offsetMs = () => {
  const one = fresh() ?? (epoch === 0 ? stored : null);
  return one ? Math.round(one.offset) : null;
};

// Whether that was measured in this page's life, with the device's clock as it is now.
export const isMeasured = () => fresh() !== null;
export const epochNow = () => { look(); return epoch; };

export const serverNow = () => wall() + (offsetMs() ?? Math.round((measured ?? stored)?.offset ?? 0));
