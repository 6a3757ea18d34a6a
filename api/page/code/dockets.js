// Done, listed, sold: one tap opens a docket with everything filled in as expected, a second writes it down.

import { button, freshId, h, refill } from "./dom.js";
import { forget, keep, kept, ownKey } from "./keep.js";
import { bare, offered, putBack, sell, today, tried } from "./records.js";
import { wrote } from "./slip.js";
import { unlimited } from "./terms.js";
import { money } from "./words.js";
import { plain } from "./worth.js";

const SOLD_AS = { working: "as working", for_repair: "for repair", for_parts: "for parts", scrap: "as scrap" };

/** The buttons under the name of a machine. */
export function dockets(it) {
  if (it.record.entry.sale) return h("p", { class: "dockets" }, button("Take the sale back", () => unsell(it)));
  return h("p", { class: "dockets" },
    button("Work done", () => openWork(it)),
    button("Listed", () => opening(openListed, it)),
    button("Sold", () => opening(openSold, it)));
}

/** Open a docket for a fix that was tried; without one the planned fix stands in it. */
export const openWork = (it, fix) => opening(openTried, it, fix);

async function opening(open, it, fix) {
  try {
    await open(it, fix);
  } catch (error) {
    if (error.name !== "AbortError") wrote(`Not opened: ${error.message}`);
  }
}

/** A docket: a form in a dialog whose fields are kept on this device until it is written down. */
function docket(title, name, fields, buttons, it, notice = null) {
  const typed = kept(name, { key: ownKey() });
  const told = h("div", { role: "alert" });
  const remember = () => keep(name, { key: typed.key, ...valuesOf(fields) });
  for (const [field, { input }] of Object.entries(fields)) if (field in typed) setValue(input, typed[field]);
  const close = () => dialog.close();
  const heading = freshId("docket");
  const send = async (button, write) => {
    if (!form.reportValidity()) return;
    remember();
    button.disabled = true;
    try {
      const [words, now] = await write(valuesOf(fields), typed.key);
      forget(name);
      close();
      wrote(words, () => putBack({ entry: bare(it.record.entry) }, now));
      window.dispatchEvent(new Event("records-changed"));
    } catch (error) {
      refill(told, h("p", { class: "trouble" }, error.message));
      button.disabled = false;
    }
  };
  const form = h("form", { on: { input: remember, submit: (event) => { event.preventDefault(); form.querySelector("button.write").click(); } } },
    h("h2", { id: heading }, title),
    notice,
    Object.values(fields).map(({ input, label }) => h("p", { class: input.type === "checkbox" ? "tick" : "" }, h("label", { for: input.id }, label), input)),
    told,
    h("p", { class: "answers" },
      buttons.map(([words, write, kind]) => {
        const made = button(words, () => send(made, write), { class: `write ${kind ?? ""}` });
        if (!kind) made.autofocus = true;
        return made;
      }),
      button("Not now", close, { class: "quiet" })));
  const dialog = h("dialog", { class: "docket", "aria-labelledby": heading, on: { close: () => dialog.remove() } }, form);
  document.body.append(dialog);
  dialog.showModal();
  return { dialog, fields };
}

const number = (label, value, more = {}) =>
  ({ label, input: h("input", { id: freshId("field"), type: "number", inputmode: "decimal", min: 0, step: "any", value: value ?? "", ...more }) });
const choice = (label, options, value) => {
  const input = h("select", { id: freshId("field") }, Object.entries(options).map(([key, words]) => h("option", { value: key }, words)));
  if (value) input.value = value;
  return { label, input };
};
const tick = (label) => ({ label, input: h("input", { id: freshId("field"), type: "checkbox" }) });
const day = (label) => ({ label, input: h("input", { id: freshId("field"), type: "date", max: today(), value: today(), required: true }) });
const valuesOf = (fields) => Object.fromEntries(Object.entries(fields).map(([name, { input }]) => [name, valueOf(input)]));
const valueOf = (input) => {
  if (input.type === "checkbox") return input.checked;
  if (input.type === "number") return input.value === "" ? null : Number(input.value);
  return input.value;
};

function setValue(input, value) {
  if (input.type === "checkbox") input.checked = value;
  else if (value !== null) input.value = value;
}

/** A fix that was tried, the planned one first. */
async function openTried(it, fix) {
  const plan = await it.plan();
  const id = it.machine.id;
  const first = fix ?? plan.fixes.find((each) => each.fix === plan.best.fixes[0]) ?? plan.fixes[0];
  if (!first) return wrote(`${id} has no fault on record, so there is nothing to cure.`);
  const options = Object.fromEntries(plan.fixes.map((each) =>
    [`${each.fix}:${each.fault}`, `${each.name} (${it.facts.faults.get(each.fault)?.name.toLowerCase() ?? each.fault})`]));
  const fields = {
    what: choice("What was tried", options, `${first.fix}:${first.fault}`),
    parts: number("Parts paid", first.parts),
    hours: number("Own hours", Number(first.bench_hours.toFixed(2))),
    snag: tick("Something else was made worse"),
    done_on: day("On"),
  };
  fields.what.input.addEventListener("change", () => {
    const chosen = plan.fixes.find((each) => `${each.fix}:${each.fault}` === fields.what.input.value);
    fields.parts.input.value = chosen.parts;
    fields.hours.input.value = Number(chosen.bench_hours.toFixed(2));
  });
  const write = (cured) => async (typed, key) => {
    const [name, fault] = typed.what.split(":");
    const done = bare({ fix: name, fault, cured, parts: typed.parts, hours: typed.hours, snag: typed.snag, done_on: typed.done_on, terms: unlimited() });
    const now = await tried(id, done, `${key}-${cured}`);
    return [`${id}: ${it.facts.fixes.get(name)?.name ?? name}: ${cured ? "cured" : "did not hold"}.`, now];
  };
  docket(`Work done on ${id}`, `work.${id}.${fix ? `${fix.fix}.${fix.fault}` : ""}`, fields, [["Cured", write(true)], ["Did not hold", write(false), "second"]], it);
}

/** A week on offer, at the ask that is advised or that stands. */
async function openListed(it) {
  const { id } = it.machine;
  const standing = it.record.entry.weeks.at(-1)?.ask;
  const price = await advised(it);
  const fields = {
    ask: number("Asked", standing ?? (price?.keeping.verdict === "keep" ? price.keeping.ask_now : price?.ask), { required: true, min: 1 }),
    offer: number("Best offer refused this week"),
    enquiries: number("People who asked", null, { step: 1 }),
    week_of: day("In the week of"),
  };
  const write = async (typed) => {
    const week = bare({ week_of: typed.week_of, ask: typed.ask, offers: typed.offer ? [typed.offer] : [], enquiries: typed.enquiries });
    return [`${id}: on offer at ${money(typed.ask)}.`, await offered(it.record, week)];
  };
  docket(`${id} on offer`, `listed.${id}`, fields, [["Write it down", write]], it);
}

/** The sale, at the price that is expected until another is typed. */
async function openSold(it) {
  const { id } = it.machine;
  const price = await advised(it);
  const { value, safety } = await it.valuation();
  const usual = (price?.sold_as ?? "working").replaceAll(" ", "_");
  const fields = {
    price: number("Price received", Math.round(price && price.keeping.verdict !== "keep" ? price.expected_price : value.amount), { required: true, min: 0.01 }),
    sold_as: choice("Sold", SOLD_AS, usual === "working" && !safety.may_be_sold ? "for_repair" : usual),
    fees: number("Fees"),
    hours: number("Own hours for the sale"),
    sold_on: day("On"),
  };
  const write = async (typed, key) => {
    const now = await sell(bare({ id, ...typed, terms: unlimited() }), key);
    return [`${id}: sold for ${money(typed.price)}; ${money(now.entry.sale.prediction.amount)} was expected.`, now];
  };
  const stop = safety.may_be_sold ? null : h("p", { class: "not" }, `✕ ${plain(safety.statement, it.facts)}`);
  docket(`${id} is sold`, `sold.${id}`, fields, [["Write it down", write]], it, stop);
}

/** The asking price where there is one; a sale can be written down without it. */
async function advised(it) {
  try {
    const price = await it.asking(kept("weeks", 12));
    return price.refusal ? null : price;
  } catch {
    return null;
  }
}

async function unsell(it) {
  const { sale, ...rest } = bare(it.record.entry);
  const now = await putBack({ entry: rest }, it.record).catch((error) => error);
  if (now instanceof Error) return wrote(`Not taken back: ${now.message}`);
  wrote(`${it.machine.id} stands on the bench again; the sale for ${money(sale.price)} is off.`, () => putBack({ entry: bare(it.record.entry) }, now));
  return window.dispatchEvent(new Event("records-changed"));
}
