// The work on one machine: the next step for the head, and the whole list behind it. The only place that knows the work's documents.

import { openOffer, openWork } from "./dockets.js";
import { listPart, tryOf } from "./list.js";
import { at } from "./plain.js";
import { change, time } from "./words.js";
import { plain } from "./worth.js";

const ENDS = { "sell as it stands": "sell it as it stands", "break for parts": "break it for parts", scrap: "scrap it", "no sale while a recall is open": "claim the maker's remedy" };
const go = (it, line) => () => { location.hash = at(it.machine.id, line); };

/** The next step: what, how long, and the button that does it. */
export async function nextStep(it) {
  const list = await it.plan();
  const [step] = list.steps;
  if (step) return { words: plain(step.name, it.facts), hours: step.minutes / 60, act: actOf(step, it) };
  if (list.verdict !== "sell as it stands") return { words: ENDS[list.verdict], act: { words: "Why", run: go(it, "work") } };
  const { safety } = list;
  if (!safety.may_be_sold && safety.unchecked.length && !safety.must_cure.length) return { words: "the safety checks", act: { words: "To the checks", run: go(it, "safe") } };
  return { words: ENDS[list.verdict], act: { words: "An offer", run: () => openOffer(it) } };
}

function actOf(step, it) {
  if (step.kind === "check") return { words: "To the checks", run: go(it, "safe") };
  if (step.kind === "fix") return { words: "Tried it", run: () => openWork(it, tryOf(step, step.parts_of_it[0])) };
  return { words: "Looked", run: go(it, "work") };
}

/** The work in a few words. */
export async function workWords(it) {
  const list = await it.plan();
  if (!list.steps.length) return `${ENDS[list.verdict]}: no work pays for its parts and hours`;
  const more = list.steps.length > 1 ? ` and ${list.steps.length - 1} more` : "";
  return `${plain(list.steps[0].name, it.facts)}${more}: ${change(list.expected_return)} for ${time(list.bench_hours)}`;
}

/** All of it: what to look at, what to do, when to stop. */
export const workPart = listPart;
