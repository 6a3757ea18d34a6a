// What the machine is: the first seven questions, and the rest behind them.

import { boundsOf, chips, enumOf, figure, isYesNo, wordsFor } from "./choices.js";
import { freshId, h } from "./dom.js";

const FIRST = ["drive", "age_years", "start", "tier", "looks", "engine_class", "deck_width_in"];
const REST = ["deck_material", "kept", "blade_clutch", "mulch_kit", "high_wheels", "new_price"];
const PLATE = ["maker", "model", "serial"];
const NAMES = {
  drive: "Drive", age_years: "Age", start: "Start", tier: "Price class when new", looks: "Looks", engine_class: "Engine",
  deck_width_in: "Deck width", deck_material: "Deck", kept: "Where it stood", blade_clutch: "Blade stops while the engine runs on",
  maker: "Maker, as on the plate", model: "Model, as on the plate", serial: "Serial number, never in the advert",
  mulch_kit: "Mulch plug or kit is there", high_wheels: "High rear wheels", new_price: "A comparable new one costs",
};
const UNITS = { age_years: "years", deck_width_in: "inches", new_price: "own money" };
const WORDS = {
  drive: { push: "push", front_one_speed: "front, one speed", front_variable: "front, variable", rear_variable: "rear, variable", all_wheel: "all wheels" },
  engine_class: { side_valve: "side valve", small_ohv: "OHV under 150 cc", mid_ohv: "OHV 150–175 cc", large_ohv: "OHV over 175 cc", overhead_cam: "overhead cam" },
  looks: { bright: "bright: colour and stickers whole", scuffed: "scuffed: marks of use", scarred: "scarred: dents, bare or rusty patches" },
  start: { rope: "rope", electric: "electric" },
};

/** Fields for the attributes; `told(field, value)` hears every change, null for not known. */
export function attributes(schema, machine, told) {
  const make = (field) => control(field, schema.properties[field], machine[field], (value) => told(field, value));
  const note = freshId("note");
  return [FIRST.map(make), h("details", {}, h("summary", {}, "More about it, if you know"), REST.map(make), PLATE.map((field) => words(field, machine[field], (value) => told(field, value))),
    h("p", {}, h("label", { for: note }, "Note to yourself"),
      h("textarea", { id: note, maxlength: 500, rows: 2, "data-field": "note", value: machine.note ?? "", on: { input: (event) => told("note", event.target.value || null) } })))];
}

function control(field, schema, value, told) {
  if (isYesNo(schema)) return chips(NAMES[field], { true: "yes", false: "no" }, value, told, field === "high_wheels" ? schema.description : "");
  const allowed = enumOf(schema);
  if (allowed) return chips(NAMES[field], wordsFor(allowed, WORDS[field]), value, told);
  return figure(NAMES[field], boundsOf(schema), value, told, { unit: UNITS[field], field });
}

function words(field, value, told) {
  const id = freshId(field);
  return h("p", {}, h("label", { for: id }, NAMES[field]),
    h("input", { id, type: "text", maxlength: 60, autocomplete: "off", spellcheck: "false", "data-field": field, value: value ?? "", on: { input: (event) => told(event.target.value.trim() || null) } }));
}
