// Bench readings: the common ones first, every one with its unit, what it means, and what can hurt at taking it.

import { boundsOf, chips, enumOf, figure, isYesNo, takesRuns, wordsFor } from "./choices.js";
import { cautioner } from "./cautions.js";
import { freshId, h } from "./dom.js";
import { cautionsBeside } from "./facts.js";
import { keep, kept } from "./keep.js";
import { spoken } from "./words.js";

const COMMON = ["cold_pulls", "blade_stop_s", "fuel_paper_5min", "fuel_paper_soak", "roll_pull_kgf", "engine_rpm", "oil_cardboard"];
const ONLY = [[/battery|starter|charg/, (machine) => machine.start !== "rope"], [/drive|roll_pull_driven/, (machine) => machine.drive !== "push"]];
const UNITS = { psi: "psi", bar: "bar", kpa: "kPa", mm: "mm", in: "in", kgf: "kgf", n: "N", lbf: "lbf", kg: "kg", lb: "lb", rpm: "rpm", s: "s", v: "V", percent: "%" };

const OWN_NAMES = { fuel_paper_5min: "Fuel paper, 5 min", fuel_paper_soak: "Fuel paper, overnight", engine: "Engine speed", roll_pull: "Pull to roll it", oil_cardboard: "Oil on cardboard", blade_stop: "Blade stop time", cold_pulls: "Pulls to start, cold", tip_height: "Blade tips, difference in height" };

/** Fields for all readings; `told(name, value)` hears every change. */
export function readings(schema, machine, facts, told) {
  const families = familiesOf(schema.properties);
  const fits = (each) => !ONLY.some(([pattern, fit]) => pattern.test(each.base) && !fit(machine));
  const first = families.filter((each) => (COMMON.includes(each.names[0]) || (machine.start === "electric" && each.base.startsWith("battery"))) && fits(each));
  const rest = families.filter((each) => !first.includes(each));
  const warn = cautioner();
  const make = (family) => reading(family, schema.properties, machine.readings ?? {}, facts, warn, told);
  const shown = first.map(make); // made before the rest, so that a caution stands in full where it is seen
  const items = rest.map((family) => ({ family, node: make(family) }));
  const find = freshId("find");
  const hide = (event) => {
    const wanted = event.target.value.trim().toLowerCase();
    for (const { family, node } of items) node.hidden = wanted !== "" && !family.text.includes(wanted);
  };
  return [shown, h("details", {}, h("summary", {}, `${rest.length} more readings`),
    h("p", {}, h("label", { for: find }, "Find a reading"), h("input", { id: find, type: "search", on: { input: hide } })),
    items.map(({ node }) => node))];
}

/** Readings of one quantity in several units stand together, the unit of the records first. */
function familiesOf(properties) {
  const found = new Map();
  for (const [name, schema] of Object.entries(properties)) {
    const unit = boundsOf(schema) ? name.match(/_([a-z]+)$/)?.[1] : undefined;
    const base = unit in UNITS ? name.slice(0, -unit.length - 1) : name;
    if (!found.has(base)) found.set(base, { base, names: [], text: `${base.replaceAll("_", " ")} ${schema.description}`.toLowerCase() });
    found.get(base).names.push(name);
  }
  return [...found.values()];
}

const unitOf = (name) => UNITS[name.match(/_([a-z]+)$/)?.[1]] ?? "";

function reading(family, properties, values, facts, warn, told) {
  const [main] = family.names;
  const schema = properties[main];
  const title = OWN_NAMES[family.base] ?? spoken(family.base);
  const caution = warn(cautionsBeside(facts, [main]));
  const set = (name, value) => { for (const each of family.names) told(each, each === name ? value : null); };
  let control;
  if (isYesNo(schema)) control = chips(title, { true: "yes", false: "no" }, values[main], (value) => set(main, value), schema.description);
  else if (enumOf(schema)) control = chips(title, wordsFor(enumOf(schema)), values[main], (value) => set(main, value), schema.description);
  else control = measured(family, properties, values, title, set);
  return h("div", { class: "reading" }, control, caution);
}

/** A number in the unit one measures in; the choice of unit is kept on this device. */
function measured(family, properties, values, title, set) {
  const [main] = family.names;
  const schema = properties[main];
  const place = h("div", {});
  const given = family.names.find((name) => values[name] !== undefined);
  let name = given ?? kept("units", {})[family.base] ?? main;
  let value = given === undefined ? null : values[given];
  const note = (typed) => { value = typed; set(name, typed); };
  const draw = () => {
    const unit = unitOf(name);
    const bounds = boundsOf(properties[name]);
    place.replaceChildren(figure(title, bounds, value, note, { unit, help: schema.description, field: name, runs: takesRuns(properties[name]) }));
  };
  draw();
  if (family.names.length === 1) return place;
  const id = freshId("unit");
  const choice = h("select", { id, "aria-label": `Unit of ${title.toLowerCase()}`, on: { change: () => {
    name = choice.value;
    keep("units", { ...kept("units", {}), [family.base]: name });
    draw();
    set(name, value);
  } } }, family.names.map((each) => h("option", { value: each }, unitOf(each))));
  choice.value = name;
  return h("div", { class: "with-unit" }, place, choice);
}
