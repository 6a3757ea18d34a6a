// The work on one machine: the next step for the head, and everything behind it. The only place that knows the work's documents.

import { fixesPart } from "./fixes.js";
import { h } from "./dom.js";
import { openOffer, openWork } from "./dockets.js";
import { nextPart } from "./next.js";
import { at } from "./plain.js";
import { change, time } from "./words.js";
import { plain } from "./worth.js";

const ENDS = { "sell as it stands": "sell it as it stands", "break for parts": "break it for parts", scrap: "scrap it" };
const go = (it, line) => () => { location.hash = at(it.machine.id, line); };

/** The next step: what, how long, and the button that does it. */
export async function nextStep(it) {
  const [looks, plan] = await Promise.all([it.looks(), it.plan()]);
  const look = looks.checks.find((check) => check.verdict === "worth doing" && check.kind !== "safety");
  if (look) return { words: `look: ${plain(look.name, it.facts)}`, hours: look.minutes / 60, act: { words: "Looked", run: () => { location.hash = `#/measure/${encodeURIComponent(it.machine.id)}`; } } };
  const [step] = plan.best.steps;
  if (step) {
    const fix = plan.fixes.find((each) => each.fix === step.fix) ?? step;
    return { words: it.facts.fixes.get(step.fix)?.name ?? step.fix, hours: step.bench_hours, act: { words: "Tried it", run: () => openWork(it, fix) } };
  }
  const { safety } = await it.valuation();
  if (!safety.may_be_sold && safety.unchecked.length && !safety.must_cure.length) return { words: "the safety checks", act: { words: "To the checks", run: go(it, "safe") } };
  const end = ENDS[looks.verdict] ?? ENDS["sell as it stands"];
  return { words: end, act: looks.verdict === "scrap" ? null : { words: "An offer", run: () => openOffer(it) } };
}

/** The work in a few words. */
export async function workWords(it) {
  const { best } = await it.plan();
  if (!best.steps.length) return "nothing pays for its parts and hours";
  const first = it.facts.fixes.get(best.steps[0].fix)?.name ?? best.steps[0].fix;
  return `${first}${best.steps.length > 1 ? ` and ${best.steps.length - 1} more` : ""}: ${change(best.expected_return)} for ${time(best.bench_hours)}`;
}

/** All of it: what to do, and what to look at. */
export const workPart = async (it) => {
  const [fixes, looks] = await Promise.all([fixesPart(it), nextPart(it)]);
  return [fixes, h("h3", { class: "part-head" }, "What to look at"), looks];
};
