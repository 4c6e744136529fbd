// Records written down without network: kept in this browser, sent once when it is back.
//
// Each record has a key of its own, which goes with it as Idempotency-Key: however often a record is sent because an
// answer was lost, it is written down once. What the service refuses is kept with the reason until a person decides.

const NAME = "evenleaf", RECORDS = "records", FACTS = "facts";
let opened;

function open() {
  opened ??= new Promise((done, fail) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore(RECORDS, { keyPath: "key" });
      asked.result.createObjectStore(FACTS);
    };
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => fail(asked.error);
  });
  return opened;
}

async function run(store, mode, work) {
  const database = await open();
  return new Promise((done, fail) => {
    const act = database.transaction(store, mode);
    const asked = work(act.objectStore(store));
    act.oncomplete = () => done(asked?.result);
    act.onabort = act.onerror = () => fail(act.error);
  });
}

export const keep = (record) => run(RECORDS, "readwrite", (store) => store.put(record));
export const drop = (key) => run(RECORDS, "readwrite", (store) => store.delete(key));
export const find = (key) => run(RECORDS, "readonly", (store) => store.get(key));
export async function all() {
  const found = await run(RECORDS, "readonly", (store) => store.getAll());
  return found.sort((a, b) => a.order - b.order);
}

// Who is logged in and how far this device's clock is from the farm's; asked when there is network, else as last known.
export async function session() {
  try {
    const answer = await fetch("/session.json", { cache: "no-store", credentials: "same-origin" });
    const found = await answer.json();
    const facts = { ...found, ahead: Date.parse(found.now) - Date.now(), reached: true };
    if (facts.name) await run(FACTS, "readwrite", (store) => store.put({ name: facts.name, ahead: facts.ahead }, "last"));
    return facts;
  } catch {
    return { ...(await run(FACTS, "readonly", (store) => store.get("last"))), reached: false };
  }
}

export function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

// Send one record. Returns "sent", "refused" (the record then says why) or "waiting".
export async function send(record, facts) {
  if (!facts.name) return "waiting";
  if (record.by && record.by !== facts.name) return "waiting";
  let answer;
  try {
    answer = await fetch(record.path, {
      method: "POST",
      credentials: "same-origin",
      headers: { "content-type": "application/json", "idempotency-key": record.key, "x-csrf-token": facts.csrf },
      body: JSON.stringify(record.body),
    });
  } catch {
    return "waiting";
  }
  if (answer.ok) {
    record.answer = await answer.json().catch(() => null);
    await drop(record.key);
    return "sent";
  }
  // What may pass by itself is tried again later.
  if ([401, 408, 425, 429].includes(answer.status) || answer.status >= 500) return "waiting";
  // An earlier try of this very record is still being worked on.
  if (answer.status === 409 && (record.tries = (record.tries ?? 0) + 1) < 5) {
    await keep(record);
    return "waiting";
  }
  const problem = await answer.json().catch(() => ({}));
  record.refused = { status: answer.status, detail: problem.detail ?? answer.statusText, errors: problem.errors ?? [] };
  await keep(record);
  return "refused";
}

// Send all that waits, the first written down first; one browser tab at a time.
export async function sendAll() {
  const work = async () => {
    const waiting = (await all()).filter((record) => !record.refused);
    if (!waiting.length) return 0;
    const facts = await session();
    if (!facts.reached) return 0;
    let sent = 0;
    for (const record of waiting) {
      const how = await send(record, facts);
      if (how === "sent") sent += 1;
    }
    return sent;
  };
  return navigator.locks ? navigator.locks.request("evenleaf-outbox", work) : work();
}
