// One machine: everything there is to say about it, each part filled in as its answer comes.

import { asking } from "./asking.js";
import { catalogue } from "./facts.js";
import { dockets } from "./dockets.js";
import { fixesPart } from "./fixes.js";
import { h, refill } from "./dom.js";
import { historyPart } from "./history.js";
import { ask } from "./http.js";
import { listingPart } from "./listing.js";
import { nextPart } from "./next.js";
import { ownerPart } from "./owner.js";
import { bare, entry } from "./records.js";
import { safetyPart } from "./safety.js";
import { facts as factsOf, tag } from "./tag.js";
import { unlimited } from "./terms.js";
import { fill, trouble } from "./trouble.js";
import { waterfall, worth } from "./worth.js";

/** Put one machine on the page. */
export async function show(main, id, signal) {
  let found;
  try {
    found = await Promise.all([entry(id, signal), catalogue()]);
  } catch (error) {
    if (signal.aborted) return;
    refill(main, h("h1", {}, id), trouble(error, () => show(main, id, signal)), h("p", {}, h("a", { href: "#/bench" }, "To the bench")));
    return;
  }
  const [record, facts] = found;
  const it = context(record, facts, signal);
  refill(main, head(it), record.entry.sale ? past(it) : present(it));
}

/** What every part needs: the record, the catalogue, and each question asked once. */
function context(record, facts, signal) {
  const machine = bare(record.entry.machine);
  const asked = new Map();
  const question = (path, words, more = {}) => {
    const key = path + JSON.stringify(more);
    if (!asked.has(key)) {
      const answer = ask(path, { machines: [machine], terms: unlimited(), ...more }, words, signal);
      asked.set(key, answer);
      answer.catch(() => asked.delete(key));
    }
    return asked.get(key);
  };
  return {
    record, facts, signal, machine, question,
    valuation: async () => (await question("/v1/valuations", "Valuing it")).valuations[0],
    plan: async () => (await question("/v1/fix-plans", "Weighing the fixes")).fix_plans[0],
    asking: async (weeks) => (await question("/v1/asking-prices", "Working out the asking price", { weeks })).asking_prices[0],
  };
}

function head({ record, machine }) {
  return h("div", { class: "machine-head" },
    h("h1", {}, tag(machine.id)),
    h("p", { class: "row-facts" }, factsOf(machine)),
    machine.note ? h("p", { class: "note" }, machine.note) : null,
    record.entry.sale ? null : h("p", {}, h("a", { class: "act quiet", href: `#/measure/${encodeURIComponent(machine.id)}` }, "Look at it again: findings, readings")));
}

function present(it) {
  return [dockets(it), h("div", { class: "machine" },
    h("div", { class: "side" },
      part("What it is worth", "Valuing it", () => worth(it), it),
      part("May it be sold?", "Going through the checks", () => safetyPart(it), it),
      part("From sound to as it stands", "Valuing it", () => waterfall(it), it),
      part("What to do about it", "Weighing the fixes", () => fixesPart(it), it)),
    h("div", { class: "side" },
      part("What to look at next", "Thinking what to look at", () => nextPart(it), it),
      part("What to ask for it", "Working out the asking price", () => asking(it), it),
      part("The listing", "Writing the listing", () => listingPart(it), it),
      part("What was done", "Reading the records", () => historyPart(it), it),
      part("If it belongs to somebody else", "Weighing a shop's quote", () => ownerPart(it), it)))];
}

const past = (it) => [dockets(it), part("What was done", "Reading the records", () => historyPart(it), it)];

function part(title, words, make, { signal }) {
  const place = h("div", {});
  fill(place, words, make, signal);
  const name = title.toLowerCase().replaceAll(/[^a-z]+/g, "-");
  return h("section", { class: `part ${name}`, "aria-label": title }, h("h2", {}, title), place);
}
