// Machines on record: read, changed, put back. Changes go through the queue; what waits there is seen already.

import { Away, read, write } from "./http.js";
import { keep, kept } from "./keep.js";
import { bare, place } from "./plain.js";
import { deliver, ready, withWaiting } from "./queue.js";

export { bare, today } from "./plain.js";

const PAGE = 200;
const SEEN = 60; // records that are kept on this device for when the server is away

/** All entries of a kind: bench, sold, all. */
export async function entries(which, signal) {
  const found = [];
  await ready;
  try {
    for (;;) {
      const page = await read(`/v1/machines?which=${which}&offset=${found.length}&limit=${PAGE}`, "Reading the records", signal);
      found.push(...page.entries);
      if (!page.entries.length || found.length >= page.total) break;
    }
    if (which === "bench") keep("seen.bench", found.slice(0, SEEN));
  } catch (error) {
    const seen = which === "bench" && error instanceof Away && kept("seen.bench", null);
    if (!seen) throw error;
    return seen.map(withWaiting);
  }
  return found.map(withWaiting);
}

/** One record, as it was seen last where the server is away. */
export async function entry(id, signal) {
  await ready;
  try {
    const record = await read(place(id), "Reading the records", signal);
    const others = kept("seen.bench", []).filter((each) => each.entry.machine.id !== id);
    keep("seen.bench", [record, ...others].slice(0, SEEN));
    return withWaiting(record);
  } catch (error) {
    const seen = error instanceof Away && kept("seen.bench", []).find((each) => each.entry.machine.id === id);
    if (!seen) throw error;
    return withWaiting(seen);
  }
}

export const take = (taken, key, words) => deliver({ kind: "take", id: taken.machine.id, body: taken, key, words });
export const measure = (record, machine, words, key) =>
  deliver({ kind: "measure", id: record.entry.machine.id, body: machine, base: bare(record.entry.machine), version: record.version, key, words });
export const tried = (id, done, key, words) => deliver({ kind: "tried", id, body: done, key, words });
export const offered = (record, week, key, words) =>
  deliver({ kind: "week", id: record.entry.machine.id, body: week, version: record.version, key, words });
export const sell = (sale, key, words) => deliver({ kind: "sale", id: sale.id, body: sale, key, words });

export const remove = (record) => write("DELETE", place(record.entry.machine.id), undefined, { match: record.version });
export const rename = (record, id) => write("POST", `${place(record.entry.machine.id)}/name`, { id }, { match: record.version });

/** Put an entry back as it was before the change that left `now`. */
export const putBack = (before, now) =>
  write("PUT", `${place(before.entry.machine.id)}/entry`, bare(before.entry), { match: now.version });

/** Take a deed of `/v1/deeds` back, or all that was done at once with it. */
export const takeBack = (number, { atOnce = false } = {}) => write("POST", `/v1/deeds/${number}/undo${atOnce ? "?at_once=true" : ""}`);
export const deeds = (days, signal) => read(`/v1/deeds?days=${days}`, "Reading what was written down", signal).then((found) => found.deeds);
