// The work list: every step in working order, what follows each result, and the cautions of each step beside it.

import { button, h } from "./dom.js";
import { openWork } from "./dockets.js";
import { stepBar } from "./pictures.js";
import { writeDown } from "./slip.js";
import { at } from "./plain.js";
import { change, listed, money, percent, time } from "./words.js";
import { plain } from "./worth.js";

const FIRST = 6; // steps shown before a tap asks for the rarer ones
const OTHERS = 6;

/** The part about work. */
export async function listPart(it) {
  const list = await it.plan();
  const [near, far] = [list.steps.slice(0, FIRST), list.steps.slice(FIRST)];
  return [
    lead(list, it),
    list.symptoms.map((symptom) => causes(symptom, it)),
    near.length ? h("ol", { class: "fixes" }, near.map((step) => one(step, it))) : null,
    far.length ? h("details", {}, h("summary", {}, `${far.length} more behind rarer results`),
      h("ol", { class: "fixes", start: FIRST + 1 }, far.map((step) => one(step, it)))) : null,
    list.steps.length ? h("p", { class: "fine" }, `At worst ${time(list.worst_hours)} and ${money(list.worst_cash)}; ${Math.round(list.chance_of_loss * 100)} times in 100 it leaves less than leaving it as it stands. `,
      list.left_and_disclosed.length ? `Left in and told: ${listed(list.left_and_disclosed.map((id) => faultName(id, it)))}.` : "") : null,
    h("details", {}, h("summary", {}, "What else could come first, and what it brings as it stands"),
      h("ul", { class: "plain" }, list.others.slice(0, OTHERS).map((other) => h("li", {}, `${plain(other.name, it.facts)}: ${other.less < 0.5 ? "as good" : `${money(other.less)} less`}`))),
      h("p", { class: "fine" }, `Left over today: ${list.ways_now.filter((way) => way.open).map((way) => `${way.route} ${money(way.left)}`).join(", ")}.`),
      list.questions.map((question) => h("p", { class: "fine" }, `Worth ${money(question.worth)} for the price: ${question.how}.`))),
  ];
}

function lead(list) {
  if (!list.steps.length) return h("p", { class: "lead" }, list.summary);
  return h("p", { class: "lead" }, h("strong", {}, change(list.expected_return)), ` expected, own hours paid: ${time(list.bench_hours)} and ${money(list.cash)} in parts bring it to about ${money(list.value_after)}.`);
}

function causes(symptom, it) {
  return h("details", { class: "causes" }, h("summary", {}, `${faultName(symptom.fault, it)}: what it may be`),
    h("ul", { class: "shares" }, symptom.causes.map((cause) =>
      h("li", {}, stepBar(0, cause.chance, symptom.causes[0].chance, "range"), h("span", {}, cause.name), h("b", {}, percent(cause.chance))))));
}

const faultName = (id, { facts }) => facts.faults.get(id)?.name.toLowerCase() ?? id;

function one(step, it) {
  return h("li", { class: "fix" },
    h("h3", {}, `${step.number}. ${plain(step.name, it.facts)}`),
    h("p", { class: "why" }, `${time(step.minutes / 60)}${step.parts ? ` · ${money(step.parts)} in parts` : ""}${step.chance < 0.995 ? ` · it comes to this ${percent(step.chance)} of the time` : ""}`),
    h("ul", { class: "plain" }, step.results.map((result) => h("li", {}, h("b", {}, result.says), ` (${percent(result.chance)}): ${follows(result)}`))),
    h("p", { class: "fine" }, `${step.why}${step.pays_until === null ? "" : ` The part pays up to ${money(step.pays_until)}.`}${step.waits_days ? ` Waits about ${Math.round(step.waits_days)} days.` : ""}${step.proof ? ` Cured when: ${step.proof}.` : ""}`),
    step.cautions.length ? h("div", { class: "caution" }, step.cautions.map((caution) => {
      const [title, ...words] = caution.split(": ");
      return h("p", {}, h("strong", {}, `⚠ ${title}: `), words.join(": "));
    })) : null,
    h("p", { class: "answers" }, doing(step, it)));
}

const follows = (result) => result.then.map((then) => `${then.step === null ? "stop" : `step ${then.step}`}${then.chance < 0.995 ? ` (${percent(then.chance)})` : ""}`).join(" or ");

/** The buttons that tell how a step went. */
export function doing(step, it) {
  if (step.kind === "fix") return step.parts_of_it.map((part) => button(step.parts_of_it.length > 1 ? `Tried: ${part.name}` : "Tried it", () => openWork(it, tryOf(step, part)), { class: "quiet", "aria-label": `Tried it: ${part.name}` }));
  if (step.kind === "check") return h("a", { class: "act quiet", href: at(it.machine.id, "safe") }, "To the checks");
  const [look] = step.parts_of_it;
  return step.results.map((result) => button(result.says, () => showed(look, result, it), { class: "quiet", "aria-label": `It showed: ${result.says}` }));
}

/** A fix of a step as the docket of work done takes it. */
export const tryOf = (step, part) => ({ fix: part.id, fault: part.faults[0], name: part.name, parts: step.parts_of_it.length > 1 ? null : step.parts, bench_hours: step.parts_of_it.length > 1 ? null : step.minutes / 60 });

function showed(look, result, it) {
  const several = look.faults.length > 1;
  const shown = Object.entries(result.by_fault).map(([fault, what]) => [several ? `${look.id}:${fault}` : look.id, what]);
  const machine = { ...it.machine, seen: { ...it.machine.seen, ...Object.fromEntries(shown) } };
  return writeDown(machine, `${look.name}: ${result.says}`, it);
}
