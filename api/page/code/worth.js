// What the machine is worth, how sure that is, and what each fault takes off.

import { h, sentences } from "./dom.js";
import { rule, stepBar } from "./pictures.js";
import { inTen, money, outOfRange, percent } from "./words.js";

/** The value with its range: money first, the range second, what weakens it third. */
export async function worth(it) {
  const { value, warnings } = await it.valuation();
  return [
    h("p", { class: "lead" }, "About ", h("strong", {}, money(value.amount)), ` ${value.currency}. ${inTen(value.coverage)} sales should fall between ${money(value.low)} and ${money(value.high)}.`),
    rule(value),
    sentences(outOfRange(warnings).map((line) => plain(line, it.facts)), "plain not"),
    h("details", {}, h("summary", {}, "How sure, and why"), sentences(warnings.filter((line) => !outOfRange([line]).length).map((line) => plain(line, it.facts)), "plain")),
  ];
}

/** Ids of faults in a sentence of the server as the catalogue names them. */
export function plain(line, facts) {
  return line.replaceAll(/\b[a-z]+(?:_[a-z]+)+\b/g, (id) =>
    facts.faults.get(id)?.name.toLowerCase() ?? facts.fixes.get(id)?.name.toLowerCase() ?? facts.checks.get(id)?.id.replaceAll("_", " ") ?? id);
}

/** The way down from a sound machine to this one; the steps sum to the whole gap, as they are shown. */
export async function waterfall(it) {
  const { value, sound_value: sound, fault_costs: costs } = await it.valuation();
  if (!costs.length) return h("p", {}, "No fault is known, so nothing is taken off.");
  let left = sound;
  const steps = costs.map((cost, place) => {
    const from = left;
    left = place === costs.length - 1 ? value.amount : left - cost.share;
    return step(name(cost, it.facts), `−${money(Math.round(from) - Math.round(left))}`, stepBar(from, left, sound, "loss"), told(cost));
  });
  return [h("ol", { class: "falls" },
    step("Sound", money(sound), stepBar(0, sound, sound, "whole")), steps,
    step("As it stands", money(value.amount), stepBar(0, value.amount, sound, "whole"))),
  h("p", { class: "fine" }, "Each fault's share of the gap; cured alone, a fault brings the sum in its second line.")];
}

const name = (cost, facts) => [facts.faults.get(cost.fault)?.name ?? cost.fault, h("small", {}, ` ${cost.severity}`)];

function told(cost) {
  const doubt = cost.chance < 1 ? `; there with a chance of ${percent(cost.chance)}` : "";
  const few = cost.records < 50 ? `; seen in only ${cost.records} sales` : "";
  return `cured alone brings ${money(cost.cured_alone)}${doubt}${few}`;
}

function step(title, sum, bar, more) {
  return h("li", {}, h("span", { class: "fall-name" }, title), h("span", { class: "fall-sum" }, sum), bar, more ? h("small", { class: "fall-more" }, more) : null);
}
