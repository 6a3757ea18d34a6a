// Which machines to put up now, with room for so many listed at once.

import { freshId, h } from "./dom.js";
import { ask } from "./http.js";
import { keep, kept } from "./keep.js";
import { at } from "./plain.js";
import { unlimited, weeksToSell } from "./terms.js";
import { fill } from "./trouble.js";
import { count } from "./words.js";

const ROOMS = [1, 2, 3, 4, 5, 6, 8, 10];
const MOST = 60; // machines of one question
const SAYS = { "list now": "List it now", wait: "Wait", keep: "Keep it", "check first": "Check first", "not for sale": "Not for sale" };
const CHECKS = "Checks that bar a sale are not passed yet; they stand with it."; // each by name would fill the screen

/** A folded part of the bench: asked only once it is opened. `machines` gives those that stand there then. */
export function together(machines, signal) {
  const id = freshId("room");
  const place = h("div", { "aria-live": "polite" });
  const draw = () => fill(place, "Weighing which to list", async () => told(machines().slice(0, MOST), Number(choice.value), signal), signal);
  const choice = h("select", { id, on: { change: () => { keep("bench.room", Number(choice.value)); draw(); } } },
    ROOMS.map((room) => h("option", { value: room }, room)));
  choice.value = kept("bench.room", 3);
  const part = h("details", { "data-own": "together", on: { toggle: () => { if (part.open) draw(); } } }, h("summary", {}, "Which to list now"),
    h("p", { class: "choice" }, h("label", { for: id }, "Room for so many listed at once"), choice), place);
  return part;
}

async function told(machines, room, signal) {
  const question = { machines, terms: unlimited(), weeks: weeksToSell(), room };
  const { together: found } = await ask("/v1/asking-prices", question, "Weighing which to list", signal);
  const now = found.machines.filter((each) => each.verdict === "list now");
  return [
    h("p", { class: "lead" }, now.length ? `List ${count(now.length, "machine", "machines")} now, the most gain first.` : "None is worth more listed now."),
    h("ul", { class: "plain" }, found.machines.map((each) => h("li", {}, h("a", { href: at(each.id) }, each.id), ": ", h("strong", {}, SAYS[each.verdict]), `. ${each.verdict === "check first" ? CHECKS : each.reason}`))),
  ];
}
