// Whether it may be sold as working: every check in one list that keeps its order, a tap each.

import { button, freshId, h, sentences } from "./dom.js";
import { toldInFull } from "./cautions.js";
import { cautionsBeside, cautionsOf } from "./facts.js";
import { numberField, unread } from "./numbers.js";
import { writeDown } from "./slip.js";
import { stopwatch } from "./stopwatch.js";
import { own } from "./terms.js";
import { listed, spoken } from "./words.js";
import { plain } from "./worth.js";

const UNDER_THE_DECK = { blade_and_mount: ["C1", "C4"], deck: ["C1", "C4"], crank: ["C1", "C4"], bail: ["C3", "C6"], drive_releases: ["C3"], muffler: ["C1"] };
const MARK = { passed: "●", failed: "⊘", open: "○" }; // as a punch leaves them: punched, barred, not yet
const TIMED = { blade_stop: "blade_stop_s" };
const FIGURES = { engine_speed: { name: "engine_rpm", unit: "rpm", minimum: 500, maximum: 6000 } };

/** The part about safety. */
export async function safetyPart(it) {
  const { safety, cautions } = await it.valuation();
  const all = [...it.facts.checks.values()].map((gate) => ({ gate, state: stateOf(gate, safety, it.machine) }));
  const called = all.filter(({ state }) => state !== "not called for");
  const open = called.filter(({ gate, state }) => state === "open" && gate.by_check);
  const { country } = own();
  return [
    h("p", { class: safety.may_be_sold ? "lead may" : "lead not", "data-key": "verdict" }, `${safety.may_be_sold ? MARK.passed : safety.must_cure.length ? MARK.failed : MARK.open} ${plain(safety.statement, it.facts)}`),
    h("ul", { class: "gates", "data-key": "gates" }, called.map((each) => gateItem(each, safety, it))),
    h("p", { class: "answers", "data-key": "all" }, open.length > 1 ? button(`All of these ${open.length} passed`, () => askAll(open, it), { class: "second" }) : null),
    called.length < all.length ? h("p", { class: "fine" }, `Not called for on this machine: ${listed(all.filter(({ state }) => state === "not called for").map(({ gate }) => spoken(gate.id).toLowerCase()))}.`) : null,
    h("details", {}, h("summary", {}, "Cautions, and the law behind it"), sentences(cautions), sentences(safety.sources, "fine"),
      country && country !== "US" ? h("p", {}, `You sell in ${country}: where its law asks for more, that law holds.`) : null),
  ];
}

function stateOf(gate, safety, machine) {
  if (gate.faults.some((fault) => safety.must_cure.includes(fault)) || machine.checks?.[gate.id] === "failed") return "failed";
  if (safety.unchecked.includes(gate.id)) return "open";
  const called = gate.applies === "always" || gate.id in (machine.checks ?? {}) || (gate.applies === "driven" && machine.drive !== "push");
  return called ? "passed" : "not called for";
}

const cautionsAt = (gate, it) => [...new Set([...cautionsOf(it.facts, UNDER_THE_DECK[gate.id] ?? []), ...cautionsBeside(it.facts, gate.readings)])];

function gateItem({ gate, state }, safety, it) {
  const faults = gate.faults.filter((fault) => safety.must_cure.includes(fault)).map((fault) => it.facts.faults.get(fault).name.toLowerCase());
  const cautions = cautionsAt(gate, it);
  return h("li", { class: `gate ${state}`, "data-key": gate.id },
    h("p", { class: "gate-name" }, h("span", { class: "sign", "aria-hidden": "true" }, MARK[state]), h("b", {}, spoken(gate.id)), " ",
      h("span", { class: "state" }, state === "open" ? "not checked" : state), faults.length ? h("small", {}, ` cure ${faults.join(", ")} first`) : null),
    answers(gate, state, it),
    h("details", {}, h("summary", {}, cautions.length ? `How ⚠ ${cautions.map((each) => each.title).join(" · ")}` : "How"),
      toldInFull(cautions), h("p", {}, `${gate.test}.`), h("p", { class: "fine" }, `Passes when ${gate.passes}. Why: ${gate.basis} (${gate.mark}).`)));
}

/** One tap where a word answers the check, else the stopwatch, a field, or the way to the readings that do. */
function answers(gate, state, it) {
  const { id } = gate;
  const said = it.machine.checks?.[id];
  const say = (result) => button(spoken(result), () => answer([id], result, it), { class: said === result ? "said" : "quiet", "aria-pressed": String(said === result), "aria-label": `${spoken(id)}: ${result}` });
  const measured = TIMED[id] ? button(state === "open" ? "Stopwatch" : "Again", () => time(gate, it), { class: "quiet", "aria-label": `${spoken(id)}: stopwatch${state === "open" ? "" : " again"}` })
    : FIGURES[id] ? button("Figure", () => figure(gate, FIGURES[id], it), { class: "quiet", "aria-label": `${spoken(id)}: write the figure down` })
      : h("a", { class: "act quiet", href: `#/measure/${encodeURIComponent(it.machine.id)}`, "aria-label": `${spoken(id)}: write readings down` }, "Readings");
  return h("p", { class: "answers", "data-key": `say ${id}` }, gate.by_check ? say("passed") : measured, say("failed"));
}

const answer = (ids, result, it) =>
  writeDown({ ...it.machine, checks: { ...it.machine.checks, ...Object.fromEntries(ids.map((id) => [id, result])) } }, `${listed(ids.map((id) => spoken(id).toLowerCase()))} ${result}`, it);

const withReading = (machine, name, value) => ({ ...machine, readings: { ...machine.readings, [name]: value } });

/** All open checks at once: asked once, with what each asks for in view. */
function askAll(open, it) {
  const close = dialog("All of these passed?", [
    h("ul", { class: "plain" }, open.map(({ gate }) => h("li", {}, h("b", {}, `${spoken(gate.id)}: `), `${gate.passes}.`))),
    h("p", { class: "fine" }, "Each was done on this machine, today. Whoever buys it relies on this.")],
  [button("Yes, all of them", () => { close(); return answer(open.map(({ gate }) => gate.id), "passed", it); })]);
}

function time(gate, it) {
  stopwatch(spoken(gate.id), toldInFull(cautionsAt(gate, it)), (runs) => writeDown(withReading(it.machine, TIMED[gate.id], runs), `${spoken(gate.id).toLowerCase()} ${runs.join(", ")} s`, it));
}

function figure(gate, { name, ...bounds }, it) {
  const field = numberField(spoken(gate.id), it.machine.readings?.[name] ?? null, () => {}, { field: name, ...bounds });
  const close = dialog(spoken(gate.id), [toldInFull(cautionsAt(gate, it)), h("p", {}, `${gate.test}.`), field.node], [button("Write it down", () => {
    const value = field.value();
    if (unread(field.node) || value === null) return field.input.focus();
    close();
    return writeDown(withReading(it.machine, name, value), `${spoken(gate.id).toLowerCase()} ${value} ${bounds.unit}`, it);
  })]);
  field.input.focus();
}

/** A dialog with a way out; the result closes it. */
export function dialog(title, inside, buttons) {
  const heading = freshId("dialog");
  const close = () => made.close();
  const made = h("dialog", { class: "docket", "aria-labelledby": heading, on: { close: () => made.remove() } }, h("h2", { id: heading }, title), inside,
    h("p", { class: "answers" }, buttons, button("Not now", close, { class: "quiet" })));
  document.body.append(made);
  made.showModal();
  return close;
}
