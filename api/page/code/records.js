// Machines on record: read, changed, put back.

import { read, write } from "./http.js";

const PAGE = 200;

/** All entries of a kind: bench, sold. */
export async function entries(which, signal) {
  const found = [];
  for (;;) {
    const page = await read(`/v1/machines?which=${which}&offset=${found.length}&limit=${PAGE}`, "Reading the records", signal);
    found.push(...page.entries);
    if (!page.entries.length || found.length >= page.total) return found;
  }
}

const place = (id) => `/v1/machines/${encodeURIComponent(id)}`;

export const entry = (id, signal) => read(place(id), "Reading the records", signal);
export const take = (taken, key) => write("POST", "/v1/machines", taken, { key });
export const measure = (record, machine) => write("PUT", place(record.entry.machine.id), machine, { match: record.version });
export const tried = (id, done, key) => write("POST", `${place(id)}/fixes`, done, { key });
export const offered = (record, week) =>
  write("PUT", `${place(record.entry.machine.id)}/weeks`, week, { match: record.version });
export const sell = (sale, key) => write("POST", "/v1/sales", sale, { key });
export const strike = (record) => write("DELETE", place(record.entry.machine.id), undefined, { match: record.version });

/** Put an entry back as it was before the change that left `now`. */
export const putBack = (before, now) =>
  write("PUT", `${place(before.entry.machine.id)}/entry`, bare(before.entry), { match: now.version });

/** Take a struck machine in again with everything that was done to it. */
export async function takeBack(before) {
  const { machine, taken_on } = bare(before.entry);
  return putBack(before, await take({ machine, taken_on }, undefined));
}

/** Without the nulls of a JSON answer: unknown is absent in what is sent. */
export function bare(value) {
  if (Array.isArray(value)) return value.map(bare);
  if (value === null || typeof value !== "object") return value;
  return Object.fromEntries(Object.entries(value).filter(([, each]) => each !== null).map(([name, each]) => [name, bare(each)]));
}

/** Today on the user's own calendar, as YYYY-MM-DD. */
export function today() {
  const now = new Date();
  return [now.getFullYear(), now.getMonth() + 1, now.getDate()].map((part) => String(part).padStart(2, "0")).join("-");
}
