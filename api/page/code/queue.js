// Deeds on their way to the server: each is kept on this device before it is sent, and until its answer has come.
//
// Every deed carries a key of its own, under which the server does it once. So a browser closed, a server killed or an
// answer lost between sending and hearing costs nothing: the deed is sent again and gets its first answer.

import { Away, read, Refused, write } from "./http.js";
import { forgetDeed, keepDeed, keptDeeds, onOtherTab } from "./deedstore.js";
import { ownKey } from "./keep.js";
import { merged } from "./merge.js";
import { bare, place } from "./plain.js";

/** Two devices changed the same field: `clashes` has both sides, `theirs` what stands on record now. */
export class Clash extends Error {
  constructor(machine, clashes, theirs) {
    super("Somebody else changed the same thing meanwhile.");
    Object.assign(this, { machine, clashes, theirs });
  }
}

let deeds = [];

/** The deeds that have no answer yet, oldest first. */
export const waiting = () => deeds;

/** Forget a deed: it is done, or somebody does not want it any more. */
export async function drop(name) {
  await forgetDeed(name);
  know(deeds.filter((each) => each.name !== name));
}

async function put(deed) {
  await keepDeed(deed); // before anything else happens with it
  know(deeds.some(({ name }) => name === deed.name) ? deeds.map((each) => (each.name === deed.name ? deed : each)) : [...deeds, deed]);
}

function know(now) {
  deeds = now;
  window.dispatchEvent(new Event("deeds-changed"));
}

/** What was kept before, once it is read; another tab's deeds are seen too. */
export const ready = keptDeeds().then(know);
onOtherTab(() => keptDeeds().then(know));

/**
 * Write something down. The answer is the record as it stands then; `{ waits: name }` where the server is away and the
 * deed stays on this device. A refusal is thrown, and the deed is gone.
 */
export async function deliver({ kind, id, body, base, version, words, key }) {
  const deed = { name: ownKey(), kind, id, body, base, version, words, key: key ?? ownKey(), state: "waits", at: Date.now() };
  await ready;
  await put(deed);
  if (waiting().some((each) => each.id === id && each.name !== deed.name && each.state === "waits")) {
    await flush(); // in the order in which they were done
    if (!waiting().some(({ name }) => name === deed.name)) return read(place(id), "Reading the records");
    return { waits: deed.name };
  }
  try {
    const now = await send(deed);
    await drop(deed.name);
    return now;
  } catch (error) {
    if (error instanceof Away) return { waits: deed.name };
    await drop(deed.name);
    throw error;
  }
}

/** Send what was asked back as it is: somebody has read it twice. The old one was not done, so this is another. */
export async function confirmed(name) {
  const deed = waiting().find((each) => each.name === name);
  if (!deed) return;
  await put({ ...deed, state: "waits", why: undefined, key: ownKey(), body: { ...deed.body, sure: true } });
  await flush();
}

let flushing = null;

/** Send what waits, oldest first; what is refused stays with its reason until somebody drops it. */
export function flush() {
  flushing ??= empty().finally(() => { flushing = null; });
  return flushing;
}

async function empty() {
  let done = 0;
  await ready;
  for (const deed of waiting().filter(({ state }) => state === "waits")) {
    if (!waiting().some(({ name }) => name === deed.name)) continue; // dropped meanwhile
    try {
      await send(deed);
      await drop(deed.name);
      done += 1;
    } catch (error) {
      if (error instanceof Away || error.status >= 500) break;
      await put({ ...deed, state: error instanceof Clash ? "clashes" : error.odd ? "odd" : "refused", why: error.message });
    }
  }
  if (done) window.dispatchEvent(new Event("records-changed"));
}

const WAYS = {
  take: (deed) => write("POST", "/v1/machines", deed.body, { key: deed.key }),
  tried: (deed) => write("POST", `${place(deed.id)}/fixes`, deed.body, { key: deed.key }),
  sale: (deed) => write("POST", "/v1/sales", deed.body, { key: deed.key }),
  week: (deed) => write("PUT", `${place(deed.id)}/weeks`, deed.body, { key: deed.key, match: deed.version }),
  measure: (deed) => write("PUT", place(deed.id), deed.body, { key: deed.key, match: deed.version }),
};
const CHANGED = 412;

/** Send a deed; one about an older state is brought up to date first, under a new key, for the old one was not done. */
async function send(deed) {
  for (let again = 0; ; again += 1) {
    try {
      return await WAYS[deed.kind](deed);
    } catch (error) {
      if (!(error instanceof Refused) || error.status !== CHANGED || again > 4) throw error;
      deed = renewed(deed, await read(place(deed.id), "Reading what was changed"));
      await put(deed);
    }
  }
}

function renewed(deed, record) {
  const now = { ...deed, version: record.version, key: ownKey() };
  if (deed.kind !== "measure") return now;
  const theirs = bare(record.entry.machine);
  const { machine, clashes } = merged(deed.base, deed.body, theirs);
  if (clashes.length) throw new Clash(machine, clashes, record);
  return { ...now, base: theirs, body: machine };
}

/** A record as it will stand once what waits on this device is written down. */
export function withWaiting(record) {
  const mine = waiting().filter(({ id, state, kind }) => id === record.entry.machine.id && state === "waits" && kind !== "take");
  return mine.length ? { ...record, waits: mine.length, entry: mine.reduce(foreseen, record.entry) } : record;
}

function foreseen(entry, { kind, body, base }) {
  if (kind === "measure") return { ...entry, machine: merged(base, body, bare(entry.machine)).machine };
  if (kind === "week") return { ...entry, weeks: [...entry.weeks.filter(({ week_of }) => week_of !== body.week_of), { offers: [], ...body }] };
  if (kind === "tried") return { ...entry, fixes: [...entry.fixes, { promised: null, ...body }] };
  return { ...entry, sale: { sold_as: "working", prediction: null, ...body } };
}

window.addEventListener("server-back", flush);
