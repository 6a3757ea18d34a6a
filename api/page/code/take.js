// Taking a machine in, or looking at one again: one form, kept on this device until it is written down.

import { attributes } from "./attributes.js";
import { buying } from "./buying.js";
import { figure } from "./choices.js";
import { button, freshId, h, refill } from "./dom.js";
import { catalogue, machineSchema } from "./facts.js";
import { findings } from "./findings.js";
import { gates } from "./gates.js";
import { Refused } from "./http.js";
import { forget, keep, kept, ownKey } from "./keep.js";
import { liveValue, markWrong } from "./livevalue.js";
import { readings } from "./readings.js";
import { bare, entries, entry, measure, putBack, strike, take, today } from "./records.js";
import { wrote } from "./slip.js";

/** Put the form on the page; with an id it is about that machine. */
export async function show(main, id, signal) {
  refill(main, h("h1", {}, id ? `${id}, looked at again` : "Take one in"), h("p", { class: "waiting" }, "Laying out the form …"));
  const [schema, facts, record] = await Promise.all([machineSchema(), catalogue(), id && entry(id, signal)]);
  const name = id ? `again.${id}.${record.version}` : "take";
  const typed = kept(name, null) ?? await fresh(record, signal);
  form({ main, id, record, schema, facts, name, typed, signal });
}

/** What stands in the form before anything is typed: a free name, nothing else. */
async function fresh(record, signal) {
  if (record) return { machine: bare(record.entry.machine), key: ownKey() };
  const names = new Set((await entries("all", signal).catch(() => [])).map((each) => each.entry.machine.id));
  let number = names.size + 1;
  while (names.has(`m${number}`)) number += 1;
  return { machine: { id: `m${number}` }, key: ownKey() };
}

function form(it) {
  const { main, id, schema, facts, typed, signal } = it;
  const made = h("form", { class: "take holds", novalidate: true, on: { submit: (event) => { event.preventDefault(); send(it, made, told); } } });
  const { strip, value } = liveValue(facts, made, signal);
  const told = h("div", { role: "alert" });
  const changed = () => {
    keep(it.name, typed);
    value(typed.machine);
  };
  const set = (into, field) => {
    if (into[field[0]] === undefined && field[1] === null) return;
    if (field[1] === null) delete into[field[0]];
    else [, into[field[0]]] = field;
    changed();
  };
  const inside = (group) => (field, what) => {
    typed.machine[group] ??= {};
    set(typed.machine[group], [field, what]);
  };
  refill(made,
    id ? null : naming(typed, changed),
    h("div", { class: "machine" },
      h("div", { class: "side" },
        group("What it is", attributes(schema.machine, typed.machine, (field, what) => set(typed.machine, [field, what]))),
        group("What is wrong with it", findings(facts, typed.machine, (faults) => set(typed.machine, ["faults", faults])))),
      h("div", { class: "side" },
        group("Readings", readings(schema.readings, typed.machine, facts, inside("readings"))),
        group("Safety checks done", gates(facts, typed.machine, inside("checks"))),
        id ? null : group("Before you buy it", buying(it, changed)),
        id ? null : group("What it took", spent(typed, changed)))),
    told,
    h("div", { class: "strip" }, strip, h("p", { class: "answers" },
      h("button", { type: "submit" }, id ? "Write it down" : "Take it in"),
      button("Start over", () => { forget(it.name); show(main, id, signal); }, { class: "quiet" }))));
  refill(main, h("h1", {}, id ? `${id}, looked at again` : "Take one in"),
    h("p", { class: "fine" }, "Leave unknown what you do not know: a guess makes the value wrong, unknown only widens its range. What you type is kept on this device."), made);
  value(typed.machine);
}

const group = (title, inside) => h("section", { class: "part", "aria-label": title }, h("h2", {}, title), inside);

function naming(typed, changed) {
  const id = freshId("name");
  const input = h("input", { id, type: "text", required: true, maxlength: 64, autocomplete: "off", autocapitalize: "off", spellcheck: "false", value: typed.machine.id, "data-field": "id", "aria-describedby": `${id}-help ${id}-wrong`,
    on: { input: () => { typed.machine.id = input.value.trim(); changed(); } } });
  return h("div", { class: "figure naming" }, h("label", { for: id }, "Name on its tag"), input,
    h("p", { class: "fine", id: `${id}-help` }, "letters, digits, dot, _ and -"), h("p", { class: "wrong", id: `${id}-wrong` }));
}

function spent(typed, changed) {
  const note = (field) => (what) => { typed[field] = what; changed(); };
  return h("div", { class: "fields" }, figure("Paid for it", { minimum: 0, maximum: 1e6 }, typed.paid, note("paid"), { help: "fetching included", field: "paid" }),
    figure("Own hours so far", { minimum: 0, maximum: 1000 }, typed.hours, note("hours"), { help: "fetching and a first look", field: "hours" }));
}

async function send(it, made, told) {
  const { id, typed, record } = it;
  refill(told);
  try {
    const now = id ? await measure(record, typed.machine)
      : await take(bare({ machine: typed.machine, paid: typed.paid ?? null, hours: typed.hours ?? null, taken_on: today() }), typed.key);
    forget(it.name);
    wrote(id ? `${id}: what was found is written down.` : `${typed.machine.id} is taken in.`,
      id ? () => putBack({ entry: bare(record.entry) }, now) : () => strike(now).then(() => { location.hash = "#/bench"; }));
    location.hash = `#/machine/${encodeURIComponent(typed.machine.id)}`;
  } catch (error) {
    if (error instanceof Refused) {
      markWrong(made, error.fields);
      renewed(it);
    }
    refill(told, h("p", { class: "trouble" }, `Not written down: ${error.message}`));
    made.querySelector("[aria-invalid]")?.focus();
  }
}

/** A refused post was not done, so that a mended one is another. */
function renewed({ typed, name }) {
  typed.key = ownKey();
  keep(name, typed);
}
