// Sends taps to the server and says what became of each. What cannot be sent is a Trouble, with words for the person.
import { learn, mark } from "./clock.js";
import { ask, device } from "./device.js";
import * as pack from "./pack.js";
import { remember } from "./store.js";

const TAPS = "/api/v1/taps";

export class Trouble extends Error {
  constructor(message, { login = false, connected = true } = {}) {
    super(message);
    Object.assign(this, { login, connected });
  }
}

const NO_CONNECTION = "No connection.";
const LOG_IN = "Log in again: the taps are kept on this device until then.";

const offline = () => { throw new Trouble(NO_CONNECTION, { connected: false }); };

// Gives {revision, results}. Taps: at most as many as the server takes at once.
export const post = async (taps) => {
  let found = await once(taps);
  if (found.status === 403) {
    // The token may be an old one, as after a new log-in: a pack that can be had brings another.
    if (!await pack.refresh({ force: true }).catch(offline)) throw new Trouble(pack.whyOut || LOG_IN, { login: true });
    found = await once(taps);
    if (found.status === 403) throw new Trouble(found.answer?.detail ?? LOG_IN, { login: true });
  }
  if (found.status === 400 || found.status === 413) return apart(taps, found);
  if (found.status !== 200 || !Array.isArray(found.answer?.results)) throw new Trouble(found.answer?.detail ?? `The server answered ${found.status}.`);
  return found.answer;
};

// A tap that cannot be read holds up no other: halves are sent by themselves until it stands alone.
const apart = async (taps, { status, answer }) => {
  // Refused for something else than a tap: none of them is to blame.
  if (answer?.errors && !answer.errors.taps) throw new Trouble("The server could not read what this device sent. Load the page again.");
  // In somebody else's words, as of a gateway on the way: nothing is said of any tap but, by 413, that there are too many.
  if (answer?.status !== status && (status === 400 || taps.length === 1)) throw new Trouble(`The server answered ${status}.`);
  if (taps.length === 1) return { revision: 0, results: [{ id: taps[0].id, status: "refused", problem: { detail: answer?.errors ? "The server cannot read this tap." : answer?.detail } }] };
  const half = Math.ceil(taps.length / 2);
  const first = await post(taps.slice(0, half)), second = await post(taps.slice(half));
  return { revision: Math.max(first.revision, second.revision), results: [...first.results, ...second.results] };
};

const once = async (taps) => {
  const begun = mark();
  const { answer: { status }, body } = await ask(TAPS, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRFToken": pack.current()?.csrf ?? "" },
    body: JSON.stringify({ sent_at: new Date().toISOString(), device: device(), shop: pack.current()?.shop.id, taps }),
  }).catch(offline);
  let answer = null;
  try { answer = JSON.parse(body); } catch { /* not the server's own words */ }
  const offset = learn(begun, answer?.received_at);
  if (offset) await remember("clock", offset).catch(() => {});
  return { status, answer };
};
