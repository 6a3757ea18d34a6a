// Whether it may be sold as working: every check with its state, how it is done, and what can hurt at it.

import { button, h, sentences } from "./dom.js";
import { toldInFull } from "./cautions.js";
import { cautionsBeside, cautionsOf } from "./facts.js";
import { bare, measure, putBack } from "./records.js";
import { wrote } from "./slip.js";
import { spoken } from "./words.js";
import { plain } from "./worth.js";

const UNDER_THE_DECK = { blade_and_mount: ["C1", "C4"], deck: ["C1", "C4"], crank: ["C1", "C4"], bail: ["C3", "C6"], drive_releases: ["C3"], muffler: ["C1"] };
const SIGN = { passed: "✓", fails: "✕", open: "?", "not called for": "–" };

/** The part about safety. */
export async function safetyPart(it) {
  const { safety, cautions } = await it.valuation();
  const warn = toldInFull;
  const all = [...it.facts.checks.values()].map((gate) => ({ gate, state: stateOf(gate, safety, it.machine) }));
  const rank = { fails: 0, open: 1, passed: 2, "not called for": 3 };
  const open = all.filter(({ state }) => rank[state] < 2).sort((a, b) => rank[a.state] - rank[b.state]);
  const settled = all.filter(({ state }) => rank[state] >= 2);
  return [
    h("p", { class: safety.may_be_sold ? "lead may" : "lead not" }, `${safety.may_be_sold ? "✓" : "✕"} ${plain(safety.statement, it.facts)}`),
    open.length ? h("ul", { class: "gates" }, open.map((each) => gateItem(each, safety, it, warn))) : null,
    settled.length ? h("details", {}, h("summary", {}, `${settled.filter(({ state }) => state === "passed").length} passed`),
      h("ul", { class: "gates" }, settled.map((each) => gateItem(each, safety, it, warn)))) : null,
    h("details", {}, h("summary", {}, "Cautions, and the law behind it"), sentences(cautions), sentences(safety.sources, "fine")),
  ];
}

function stateOf(gate, safety, machine) {
  if (gate.faults.some((fault) => safety.must_cure.includes(fault)) || machine.checks?.[gate.id] === "failed") return "fails";
  if (safety.unchecked.includes(gate.id)) return "open";
  const called = gate.applies === "always" || gate.id in (machine.checks ?? {}) || (gate.applies === "driven" && machine.drive !== "push");
  return called ? "passed" : "not called for";
}

function gateItem({ gate, state }, safety, it, warn) {
  const faults = gate.faults.filter((fault) => safety.must_cure.includes(fault)).map((fault) => it.facts.faults.get(fault).name.toLowerCase());
  const active = state === "open" || state === "fails";
  const named = [h("span", { class: "sign", "aria-hidden": "true" }, SIGN[state]), h("b", {}, `${spoken(gate.id)}: `), h("span", { class: "state" }, state === "open" ? "not checked" : state)];
  if (!active) return h("li", { class: `gate ${state.replaceAll(" ", "-")}` }, h("p", {}, named), h("p", { class: "fine" }, gate.passes));
  return h("li", { class: `gate ${state}` }, h("details", {}, h("summary", {}, h("span", {}, named, faults.length ? h("small", {}, ` cure ${faults.join(", ")} first`) : null)),
    warn([...new Set([...cautionsOf(it.facts, UNDER_THE_DECK[gate.id] ?? []), ...cautionsBeside(it.facts, gate.readings)])]),
    h("p", {}, `How: ${gate.test}.`), h("p", { class: "fine" }, `Passes when ${gate.passes}. Why: ${gate.basis} (${gate.mark}).`),
    answers(gate, it)));
}

/** A word where a word answers the check, else the way to the readings that do. */
function answers(gate, it) {
  const say = (result) => button(spoken(result), () => answer(gate, result, it), { class: "quiet", "aria-label": `${spoken(gate.id)}: ${result}` });
  return h("p", { class: "answers" },
    gate.by_check ? say("passed") : h("a", { class: "act quiet", href: `#/measure/${encodeURIComponent(it.machine.id)}` }, "Write the readings down"),
    say("failed"));
}

async function answer(gate, result, it) {
  const before = it.record;
  try {
    const now = await measure(before, { ...it.machine, checks: { ...it.machine.checks, [gate.id]: result } });
    wrote(`${it.machine.id}: ${spoken(gate.id).toLowerCase()} ${result}.`, () => putBack({ entry: bare(before.entry) }, now));
  } catch (error) {
    wrote(`Not written down: ${error.message}`);
  }
  window.dispatchEvent(new Event("records-changed"));
}
