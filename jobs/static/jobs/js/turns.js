// One sender at a time over all tabs: by the browser's locks, or, where there are none, by turns kept in the store.
import { page } from "./device.js";
import { lease, release } from "./store.js";

const TURN = 30000; // ms after which the turn of a tab that went silent ends
const AGAIN = 300; // ms

// Does `work` while no other tab of this device does so; waits for its turn.
export const inTurn = async (name, work) => {
  if (navigator.locks) return navigator.locks.request(name, work);
  while (!await lease(page, Date.now(), Date.now() + TURN)) await new Promise((done) => setTimeout(done, AGAIN));
  const renew = setInterval(() => lease(page, Date.now(), Date.now() + TURN).catch(() => {}), TURN / 3);
  try { return await work(); } finally {
    clearInterval(renew);
    await release(page).catch(() => {});
  }
};
