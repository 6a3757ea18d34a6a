// Taking a machine in, or looking at one again: one form, kept on this device until it is written down.

import { attributes } from "./attributes.js";
import { buying } from "./buying.js";
import { figure } from "./choices.js";
import { button, freshId, h, refill } from "./dom.js";
import { catalogue, machineSchema } from "./facts.js";
import { findings } from "./findings.js";
import { gates } from "./gates.js";
import { Away, Refused } from "./http.js";
import { forget, keep, kept, ownKey } from "./keep.js";
import { liveValue, markWrong } from "./livevalue.js";
import { merged, withField } from "./merge.js";
import { unread } from "./numbers.js";
import { at } from "./plain.js";
import { Clash } from "./queue.js";
import { readings } from "./readings.js";
import { bare, entries, entry, measure, putBack, remove, take, today } from "./records.js";
import { deedDone } from "./slip.js";
import { telling } from "./telling.js";
import { listed, spoken } from "./words.js";

/** Put the form on the page; with an id it is about that machine. */
export async function show(main, id, signal, { again } = {}) {
  if (again && main.querySelector("form.holds")) return; // a form keeps what is in it
  refill(main, h("h1", {}, id ? `${id}, measured again` : "Take one in"), h("p", { class: "waiting" }, "Laying out the form …"));
  const [schema, facts, record] = await Promise.all([machineSchema(), catalogue(), id && entry(id, signal)]);
  const name = id ? `again.${id}` : "take";
  const draft = kept(name, null);
  const [typed, news] = id ? caughtUp(draft, record, name) : [draft ?? await fresh(signal), null];
  form({ main, id, record, schema, facts, name, typed, signal, news });
}

/** A draft goes with what somebody else wrote down meanwhile; what clashes is left to whoever typed it. */
function caughtUp(draft, record) {
  const theirs = bare(record.entry.machine);
  if (!draft?.base) return [{ machine: structuredClone(theirs), base: theirs, key: ownKey() }, null];
  if (JSON.stringify(draft.base) === JSON.stringify(theirs)) return [draft, null];
  const { machine, clashes } = merged(draft.base, draft.machine, theirs);
  return [{ ...draft, machine, base: theirs }, { clashes }];
}

/** What stands in the form before anything is typed: a free name, nothing else. */
async function fresh(signal) {
  const names = new Set((await entries("all", signal).catch(() => [])).map((each) => each.entry.machine.id));
  let number = names.size + 1;
  while (names.has(`m${number}`)) number += 1;
  return { machine: { id: `m${number}` }, key: ownKey() };
}

function form(it) {
  const { main, id, schema, facts, typed, signal } = it;
  const made = h("form", { class: "take holds", novalidate: true, on: {
    submit: (event) => { event.preventDefault(); send(it, made, told); },
    input: ({ target }) => { if (target.matches("[data-number]")) asTyped(typed, target, () => keep(it.name, typed)); },
  } });
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
  const redo = (machine) => { // filled from elsewhere: by words, or by a choice between two sides
    typed.machine = { ...machine, id: typed.machine.id };
    keep(it.name, typed);
    form({ ...it, news: null });
  };
  refill(made,
    it.news ? newsOf(it.news, typed, redo) : null,
    id ? null : naming(typed, changed),
    id ? null : telling(typed, facts, redo, () => keep(it.name, typed)),
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
      button("Start over", () => { forget(it.name); refill(main); show(main, id, signal); }, { class: "quiet" }))));
  refill(main, h("h1", {}, id ? `${id}, measured again` : "Take one in"),
    h("p", { class: "fine" }, "Leave unknown what you do not know: a guess makes the value wrong, unknown only widens its range. What you type is kept on this device."), made);
  for (const [field, text] of Object.entries(typed.texts ?? {})) {
    const input = made.querySelector(`[data-field="${CSS.escape(field)}"]`);
    if (!input) continue;
    input.value = text;
    input.dispatchEvent(new Event("input"));
  }
  value(typed.machine);
}

/** A text that is not understood yet is kept as it was typed. */
function asTyped(typed, input, save) {
  const texts = { ...typed.texts };
  if (input.hasAttribute("data-unread")) texts[input.dataset.field] = input.value;
  else delete texts[input.dataset.field];
  typed.texts = texts;
  save();
}

/** What somebody else wrote down meanwhile: taken over where it does not clash, a choice of two where it does. */
function newsOf({ clashes, title }, typed, redo) {
  const said = (value) => (value === undefined ? "nothing" : [value].flat().join(", "));
  return h("section", { class: "part news", "aria-label": "Changed meanwhile" },
    h("p", {}, h("strong", {}, title ?? "This machine was changed since you began. "), clashes.length ? "Both changed the same; choose:" : "What you typed and what was changed go together; both stand in the form."),
    clashes.map(({ field, mine, theirs }) => h("p", { class: "answers", "data-clash": field }, h("b", {}, `${spoken(field.replace("/", "_"))}: `),
      button(`Yours: ${said(mine)}`, () => redo(withField(typed.machine, field, mine)), { class: "second" }),
      button(`The other: ${said(theirs)}`, () => redo(withField(typed.machine, field, theirs)), { class: "second" }))));
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
  return h("div", { class: "fields" }, figure("Paid for it", { minimum: 0, maximum: 1e6 }, typed.paid, note("paid"), { help: "fetching included", field: "paid", money: true }),
    figure("Own time so far", { minimum: 0, maximum: 1000 }, typed.hours, note("hours"), { help: "fetching and a first look", field: "hours", unit: "hours" }));
}

async function send(it, made, told, sure = false) {
  const { id, typed, record } = it;
  refill(told);
  const doubtful = unread(made);
  if (doubtful) return refill(told, h("p", { class: "trouble" }, `Not written down: “${doubtful.value.slice(0, 40)}” is not understood; see beside the field.`));
  try {
    const words = id ? "measured again" : "taken in";
    const now = id ? await measure({ ...record, entry: { ...record.entry, machine: typed.base } }, typed.machine, words, typed.key)
      : await take(bare({ machine: typed.machine, paid: typed.paid ?? null, hours: typed.hours ?? null, taken_on: today(), sure }), typed.key, words);
    forget(it.name);
    const before = record && { entry: bare(record.entry) };
    deedDone(id ? `${id}: what was found is written down.` : `${typed.machine.id} is taken in.`, now,
      id ? (after) => putBack(before, after) : (after) => remove(after).then(() => { location.hash = "#/bench"; }));
    location.hash = now.waits && !id ? "#/bench" : at(typed.machine.id);
    return null;
  } catch (error) {
    if (error instanceof Clash) return clashed(it, error);
    if (error instanceof Refused) {
      markWrong(made, error.fields);
      typed.key = ownKey(); // a refused post was not done, so that a mended one is another
      keep(it.name, typed);
    }
    if (!(error instanceof Refused || error instanceof Away)) throw error;
    refill(told, h("p", { class: "trouble" }, `Not written down: ${error.message}`),
      error.odd ? h("p", { class: "answers" }, button("It is right, write it down", () => send(it, made, told, true))) : null);
    made.querySelector("[aria-invalid]")?.focus();
    return null;
  }
}

/** Somebody else was quicker: both sides in the form, to be chosen and sent again. */
function clashed(it, { machine, clashes, theirs }) {
  const typed = { ...it.typed, machine, base: bare(theirs.entry.machine), key: ownKey() };
  keep(it.name, typed);
  form({ ...it, record: theirs, typed, news: { clashes, title: `Not written down yet: ${listed(clashes.map(({ field }) => spoken(field.replace("/", "_")).toLowerCase()))} was changed elsewhere. ` } });
  scrollTo({ top: 0, behavior: "instant" });
}
