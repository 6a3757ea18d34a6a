// What to look at next: what it can show, and what knowing it is worth.

import { h } from "./dom.js";
import { cautioner } from "./cautions.js";
import { cautionsBeside } from "./facts.js";
import { stepBar } from "./pictures.js";
import { listed, money, percent, spoken } from "./words.js";
import { plain } from "./worth.js";

const SHOWN = 4;
const COURSES = { "go on": "Go on", "sell as it stands": "Sell it as it stands", "break for parts": "Break it for parts", scrap: "Scrap it" };

/** The part about next checks and unknown causes. */
export async function nextPart(it) {
  const { next_checks: [found] } = await it.question("/v1/next-checks", "Thinking what to look at");
  const warn = cautioner();
  const gates = found.checks.filter((check) => check.kind === "safety");
  const others = found.checks.filter((check) => check.kind !== "safety");
  const [first, rest] = [others.slice(0, SHOWN), others.slice(SHOWN)];
  return [
    h("p", { class: "lead" }, h("strong", {}, COURSES[found.verdict]), `. ${plain(found.reason, it.facts)}`),
    gates.length ? h("p", {}, h("strong", {}, "Before any sale as working: "), `${listed(gates.map((check) => spoken(check.check).toLowerCase()))}, ${Math.round(gates.reduce((sum, check) => sum + check.minutes, 0))} min in all. How, under "May it be sold?".`) : null,
    found.symptoms.map((symptom) => causes(symptom, it)),
    first.length ? h("ol", { class: "looks" }, first.map((check) => look(check, it, warn))) : gates.length ? null : h("p", {}, "Nothing to look at that is worth its minutes."),
    rest.length ? h("details", {}, h("summary", {}, `${rest.length} more, each worth less a minute`),
      h("ol", { class: "looks", start: SHOWN + 1 }, rest.map((check) => look(check, it, warn)))) : null,
  ];
}

function causes(symptom, { facts }) {
  return h("div", { class: "causes" }, h("h3", {}, `${facts.faults.get(symptom.fault)?.name ?? symptom.fault}: what it may be`),
    h("ul", { class: "shares" }, symptom.causes.map((cause) =>
      h("li", {}, stepBar(0, cause.chance, symptom.causes[0].chance, "range"), h("span", {}, cause.name), h("b", {}, percent(cause.chance))))));
}

function look(check, it, warn) {
  const pays = check.verdict !== "not worth doing";
  return h("li", { class: pays ? "look pays" : "look" },
    h("h3", {}, plain(check.name, it.facts)),
    h("p", {}, h("strong", {}, check.verdict), `: ${plain(check.reason, it.facts)}`),
    h("p", { class: "fine" }, `${Math.round(check.minutes)} min${check.cash ? `, ${money(check.cash)} in cash` : ""}; knowing is worth ${money(check.value_of_looking)}, at the very most ${money(check.perfect_information)}. `,
      check.shows.length ? `Can show: ${check.shows.map((each) => plain(each, it.facts).replaceAll("_", " ")).join("; ")}.` : ""),
    warn(cautionsBeside(it.facts, readingsOf(check.check, it.facts))));
}

/** The readings a check takes: its own name, or those of the safety gate it is. */
const readingsOf = (id, facts) => [id, ...(facts.checks.get(id)?.readings ?? [])];
