// What the device keeps of one shop, in IndexedDB: taps that wait, taps that the server has but the pack lacks, refused
// taps, the pack, and small things. Where the browser keeps nothing (a private window), memory stands in, and `lasting`
// says so.
const VERSION = 1;
const STORES = { taps: { autoIncrement: true }, sent: { keyPath: "id" }, refused: { keyPath: "id" }, kept: {} };

const asked = (request) => new Promise((done, failed) => {
  request.onsuccess = () => done(request.result);
  request.onerror = () => failed(request.error);
});

const ended = (transaction) => new Promise((done, failed) => {
  transaction.oncomplete = () => done();
  transaction.onabort = () => failed(transaction.error ?? new Error("The device could not keep it."));
});

const opened = (name) => new Promise((done, failed) => {
  const request = indexedDB.open(name, VERSION);
  request.onupgradeneeded = () => {
    for (const [store, options] of Object.entries(STORES)) {
      const made = request.result.createObjectStore(store, options);
      if (store === "taps") made.createIndex("id", "id", { unique: true });
    }
  };
  request.onsuccess = () => done(request.result);
  request.onerror = () => failed(request.error);
});

let name = null;
let database = null; // a promise of it
let disk = true; // whether there is one at all
const memory = { taps: [], sent: new Map(), refused: new Map(), kept: new Map() };
export let lasting = true; // whether what is kept outlives this page

const connect = () => {
  database ??= opened(name).then((one) => {
    const gone = () => { database = null; };
    one.onversionchange = () => { one.close(); gone(); };
    one.onclose = gone;
    return one;
  });
  database.catch(() => { database = null; });
  return database;
};

// Begins; gives whether the device keeps anything.
export const open = async (shop) => {
  name = `lapwright-${shop}`;
  try {
    await connect();
  } catch {
    [lasting, disk] = [false, false];
  }
  return lasting;
};

// One transaction. work: given the stores, makes requests; what it gives is awaited after them.
const within = async (stores, mode, work, options = {}) => {
  const attempt = async () => {
    const transaction = (await connect()).transaction(stores, mode, options);
    const over = ended(transaction);
    const given = work((store) => transaction.objectStore(store));
    const [result] = await Promise.all([given, over]);
    return result;
  };
  try {
    return await attempt();
  } catch (error) {
    if (error?.name !== "InvalidStateError" && error?.name !== "UnknownError") throw error;
    database = null; // the browser closed it behind our back, as some do in the background
    return attempt();
  }
};

// Durable once it resolves: "strict" asks for the disk, not only for the system's cache. The same id again changes nothing.
export const addTap = async (tap) => {
  if (!lasting) return memory.taps.push(tap);
  try {
    return await within(["taps"], "readwrite", async (of) => {
      if (await asked(of("taps").index("id").getKey(tap.id)) === undefined) await asked(of("taps").add(tap));
    }, { durability: "strict" });
  } catch {
    lasting = false; // full, or no more allowed: better kept for as long as the page is open than lost
    return memory.taps.push(tap);
  }
};

// In the order in which they were pressed.
export const waitingTaps = async () => {
  const taps = disk ? await within(["taps"], "readonly", (of) => asked(of("taps").getAll())) : [];
  return [...taps, ...memory.taps];
};

// The server has answered for these: they wait no more. revision: the shop's with them; refused: [{id, tap, problem}].
export const settle = async (ids, revision, refused = []) => {
  const gone = new Set(ids), not = new Set(refused.map((one) => one.id));
  const sent = (tap) => ({ id: tap.id, revision, tap });
  for (const tap of memory.taps.filter((one) => gone.has(one.id) && !not.has(one.id))) memory.sent.set(tap.id, sent(tap));
  memory.taps = memory.taps.filter((tap) => !gone.has(tap.id));
  if (!disk) { for (const one of refused) memory.refused.set(one.id, one); return; }
  const settling = (kept) => within(["taps", "sent", "refused"], "readwrite", async (of) => {
    for (const one of refused) of("refused").put(one);
    for (let cursor = of("taps").openCursor(), at; (at = await asked(cursor)); at.continue()) {
      if (!gone.has(at.value.id)) continue;
      if (kept && !not.has(at.value.id)) of("sent").put(sent(at.value));
      at.delete();
    }
  }, { durability: "strict" });
  // A full disk takes no copies, but what the server has need not be sent for ever.
  await settling(true).catch(() => settling(false));
};

// {tap, revision} of taps that the server has and the kept pack perhaps not.
export const sentTaps = async () => {
  const sent = disk ? await within(["sent"], "readonly", (of) => asked(of("sent").getAll())) : [];
  return [...sent, ...memory.sent.values()];
};

export const refused = async () => {
  const kept = disk ? await within(["refused"], "readonly", (of) => asked(of("refused").getAll())) : [];
  return [...kept, ...memory.refused.values()];
};

export const clearRefused = async (ids) => {
  for (const id of ids) memory.refused.delete(id);
  if (disk) await within(["refused"], "readwrite", async (of) => { for (const id of ids) of("refused").delete(id); });
};

// kept: {pack, tag}. What had been sent by its revision is in it.
export const savePack = async (kept) => {
  const { revision } = kept.pack.shop;
  for (const [id, one] of memory.sent) if (one.revision <= revision) memory.sent.delete(id);
  if (!disk) { memory.kept.set("pack", kept); return; }
  await within(["kept", "sent"], "readwrite", async (of) => {
    of("kept").put(kept, "pack");
    for (const one of await asked(of("sent").getAll())) if (one.revision <= revision) of("sent").delete(one.id);
  });
};

export const loadPack = () => recall("pack");

export const recall = async (key) => {
  if (!disk) return memory.kept.get(key) ?? null;
  return await within(["kept"], "readonly", (of) => asked(of("kept").get(key))) ?? null;
};

export const remember = async (key, value) => {
  if (!disk) { memory.kept.set(key, value); return; }
  await within(["kept"], "readwrite", (of) => asked(of("kept").put(value, key)));
};

// A turn for one holder at a time, for browsers without locks: gives whether it is ours until `until`. now, until: ms.
export const lease = async (holder, now, until) => {
  if (!disk) return true;
  return within(["kept"], "readwrite", async (of) => {
    const held = await asked(of("kept").get("turn"));
    // A turn that seems to last long was given before the device's clock was set back.
    if (held && held.holder !== holder && held.until > now && held.until - now <= until - now) return false;
    await asked(of("kept").put({ holder, until }, "turn"));
    return true;
  });
};

export const release = async (holder) => {
  if (!disk) return;
  await within(["kept"], "readwrite", async (of) => {
    if ((await asked(of("kept").get("turn")))?.holder === holder) of("kept").delete("turn");
  });
};

// At log-out: the shop's work is not left on the device, unless taps wait that it belongs to. Gives whether it went.
export const forget = async () => {
  if ((await waitingTaps()).length) return false;
  memory.kept.delete("pack");
  memory.sent.clear();
  if (disk) await within(["kept", "sent"], "readwrite", async (of) => { of("kept").delete("pack"); of("sent").clear(); });
  return true;
};
