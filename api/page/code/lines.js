// The eight questions about one machine: each with its answer in a few words, and what stands behind it.

import { asking } from "./asking.js";
import { historyPart } from "./history.js";
import { listingPart } from "./listing.js";
import { morePart } from "./more.js";
import { offerPart } from "./offer.js";
import { safetyPart } from "./safety.js";
import { workPart, workWords } from "./work.js";
import { safetyWords } from "./tag.js";
import { h } from "./dom.js";
import { waterfall, worth } from "./worth.js";
import { change, count, money, month, paid, time } from "./words.js";

export const LINES = [
  { name: "worth", title: "What is it worth?", waits: "Valuing it", words: worthWords,
    make: async (it) => [await worth(it), h("h3", {}, "From sound to as it stands"), await waterfall(it)] },
  { name: "work", title: "What to do to it?", waits: "Weighing the work", words: workWords, make: workPart },
  { name: "safe", title: "May it be sold?", waits: "Going through the checks", words: async (it) => safetyWords((await it.valuation()).safety, it.facts), make: safetyPart },
  { name: "ask", title: "What to ask, and when less?", waits: "Working out the asking price", words: askWords, make: asking },
  { name: "offer", title: "What to say to an offer?", waits: "Working out the least to take", words: offerWords, make: offerPart },
  { name: "advert", title: "How to offer it?", waits: "Writing the draft", words: advertWords, make: listingPart },
  { name: "past", title: "What was done, what did it take?", waits: "Reading the records", words: pastWords, make: historyPart, past: true },
  { name: "more", title: "Pictures, name, owner", waits: "Looking", words: async () => "camera, rename, duplicate, quote", make: morePart, past: true },
];

async function worthWords(it) {
  const { value, sound_value: sound, fault_costs: costs } = await it.valuation();
  const off = Math.round(sound) - Math.round(value.amount);
  return `${money(value.amount)} ${value.currency}${costs.length ? `; ${count(costs.length, "fault takes", "faults take")} off ${money(off)}` : "; no fault known"}`;
}

async function askWords(it) {
  const price = await it.asking();
  if (price.refusal) return h("span", { class: "not" }, "⊘ not for sale");
  if (price.first) return h("span", { class: "not" }, `⊘ ${price.first}`);
  const standing = it.record.entry.weeks.at(-1)?.ask;
  if (price.keeping?.verdict === "keep") return `keep it for ${month(price.keeping.month)}; then ask ${money(price.ask)}`;
  return `ask ${money(price.ask)}, expect ${money(price.expected_price)} in about ${price.expected_weeks} weeks${standing ? `; stands at ${money(standing)}` : ""}`;
}

async function offerWords(it) {
  const price = await it.asking();
  return price.refusal ? h("span", { class: "not" }, "⊘ not for sale") : `take ${money(price.least_to_take)} or more today`;
}

async function advertWords(it) {
  const price = await it.asking();
  return price.refusal ? "no advert; a sheet for the handle" : "a draft to share, a sheet for the handle";
}

async function pastWords({ record: { entry } }) {
  const sum = (list, name) => list.reduce((total, each) => total + (each[name] ?? 0), 0);
  const cash = (entry.paid ?? 0) + sum(entry.fixes, "parts") + (entry.sale?.fees ?? 0);
  const hours = (entry.hours ?? 0) + sum(entry.fixes, "hours") + (entry.sale?.hours ?? 0);
  const left = entry.sale ? `sold for ${paid(entry.sale.price)}, left ${change(entry.sale.price - cash)}` : `since ${entry.taken_on}`;
  return `${left}; spent ${money(cash)} and ${time(hours)}`;
}
