// Done, listed, sold, offered: one tap opens a docket with everything filled in as expected, a second writes it down.

import { button, freshId, h, refill } from "./dom.js";
import { forget, keep, kept, ownKey } from "./keep.js";
import { numberField, unread } from "./numbers.js";
import { offerForm } from "./offer.js";
import { bare, offered, putBack, sell, today, tried } from "./records.js";
import { deedDone, wrote } from "./slip.js";
import { unlimited } from "./terms.js";
import { money, paid } from "./words.js";
import { plain } from "./worth.js";

const SOLD_AS = { working: "as working", for_repair: "for repair", for_parts: "for parts", scrap: "as scrap" };
const SURE = { most: 5, least: 0.2 }; // a price this far from what was expected is asked about once

/** The buttons at the foot of a machine. */
export function dockets(it) {
  if (it.record.entry.sale) return button("Take the sale back", () => unsell(it));
  return [
    button("Work done", () => openWork(it), { class: "second" }),
    button("Listed", () => opening(openListed, it), { class: "second" }),
    button("Sold", () => opening(openSold, it), { class: "second" }),
    button("An offer", () => openOffer(it))];
}

/** Open a docket for a fix that was tried; without one the planned fix stands in it. */
export const openWork = (it, fix) => opening(openTried, it, fix);

/** Somebody stands at the door and offers. */
export function openOffer(it) {
  const dialog = h("dialog", { class: "docket", "aria-label": "An offer at the door", on: { close: () => dialog.remove() } },
    h("h2", {}, "An offer at the door"), offerForm(it), h("p", { class: "answers" }, button("Done", () => dialog.close(), { class: "quiet" })));
  document.body.append(dialog);
  dialog.showModal();
}

async function opening(open, it, fix) {
  try {
    await open(it, fix);
  } catch (error) {
    if (error.name !== "AbortError") wrote(`Not opened: ${error.message}`);
  }
}

/** A docket: a form in a dialog whose fields are kept on this device, as they were typed, until it is written down. */
function docket(title, name, fields, buttons, it, notice = null) {
  const typed = kept(name, { key: ownKey() });
  const told = h("div", { role: "alert" });
  const texts = () => Object.fromEntries(Object.entries(fields).map(([field, { input }]) => [field, input.type === "checkbox" ? input.checked : input.value]));
  const remember = () => keep(name, { key: typed.key, ...texts() });
  for (const [field, { input }] of Object.entries(fields)) {
    if (!(field in typed)) continue;
    if (input.type === "checkbox") input.checked = typed[field];
    else input.value = typed[field];
    input.dispatchEvent(new Event("input"));
  }
  const close = () => dialog.close();
  const heading = freshId("docket");
  let asked = null; // what was asked back, so that the same once more is meant
  const askBack = (why, values) => {
    asked = JSON.stringify(values);
    refill(told, h("p", { class: "trouble" }, `${why.replace(/[.;]?$/, ".")} If that is right, write it down once more.`));
  };
  const send = async (button, write, doubt) => {
    if (unread(form) || !form.reportValidity()) return null;
    remember();
    const values = Object.fromEntries(Object.entries(fields).map(([field, { value }]) => [field, value()]));
    const sure = asked === JSON.stringify(values);
    const asks = doubt?.(values);
    if (asks && !sure) return askBack(asks, values);
    button.disabled = true;
    try {
      const before = { entry: bare(it.record.entry) };
      const [words, now] = await write(values, typed.key, sure);
      forget(name);
      close();
      deedDone(words, now, (after) => putBack(before, after));
    } catch (error) {
      typed.key = ownKey(); // a refused deed was not done, so that a mended one is another
      remember();
      if (error.odd) askBack(error.message, values);
      else refill(told, h("p", { class: "trouble" }, error.message));
      button.disabled = false;
    }
    return null;
  };
  const form = h("form", { novalidate: true, on: { input: remember, submit: (event) => { event.preventDefault(); form.querySelector("button.write").click(); } } },
    h("h2", { id: heading }, title),
    notice,
    Object.values(fields).map(({ node, input, label }) => node ?? h("p", { class: input.type === "checkbox" ? "tick" : "" }, h("label", { for: input.id }, label), input)),
    told,
    h("p", { class: "answers" },
      buttons.map(([words, write, kind, doubt]) => {
        const made = button(words, () => send(made, write, doubt), { class: `write ${kind ?? ""}` });
        if (!kind) made.autofocus = true;
        return made;
      }),
      button("Not now", close, { class: "quiet" })));
  const dialog = h("dialog", { class: "docket", "aria-labelledby": heading, on: { close: () => dialog.remove() } }, form);
  document.body.append(dialog);
  dialog.showModal();
  return { dialog, fields };
}

const MONEY = { money: true, minimum: 0, maximum: 1e7 };
const HOURS = { unit: "hours", minimum: 0, maximum: 1000 };
const number = (label, value, more) => numberField(label, value, () => {}, more);
const choice = (label, options, value) => {
  const input = h("select", { id: freshId("field") }, Object.entries(options).map(([key, words]) => h("option", { value: key }, words)));
  if (value) input.value = value;
  return { label, input, value: () => input.value };
};
const tick = (label) => {
  const input = h("input", { id: freshId("field"), type: "checkbox" });
  return { label, input, value: () => input.checked };
};
const day = (label) => {
  const input = h("input", { id: freshId("field"), type: "date", min: "1990-01-01", max: today(), value: today(), required: true });
  return { label, input, value: () => input.value };
};

const sameTry = (one, other) => one.fix === other.fix && one.fault === other.fault;

/** Every fix that may have been tried: those of the list in its order, then all others that act on a fault of the machine. */
function triesOf(list, it) {
  const faults = list.value && (it.machine.faults ?? []).map((each) => each.split(":")[0]);
  const listed = list.steps.filter((step) => step.kind === "fix").flatMap((step) => step.parts_of_it.flatMap((part) =>
    part.faults.map((fault) => ({ fix: part.id, fault, name: part.name, parts: step.parts_of_it.length > 1 ? null : step.parts, bench_hours: step.parts_of_it.length > 1 ? null : step.minutes / 60 }))));
  const others = [...it.facts.fixes.values()].flatMap((fix) => it.facts.actsOn[fix.id].filter((fault) => faults.includes(fault)).map((fault) => ({ fix: fix.id, fault, name: fix.name, parts: null, bench_hours: null })));
  return [...listed, ...others.filter((each) => !listed.some((step) => sameTry(step, each)))];
}

/** A fix that was tried, the planned one first. */
async function openTried(it, fix) {
  const id = it.machine.id;
  const every = triesOf(await it.plan(), it);
  const first = fix ?? every[0];
  if (!first) return wrote(`${id} has no fault on record, so there is nothing to cure.`);
  const tries = every.some((each) => sameTry(each, first)) ? every : [first, ...every];
  const options = Object.fromEntries(tries.map((each) =>
    [`${each.fix}:${each.fault}`, `${each.name} (${it.facts.faults.get(each.fault)?.name.toLowerCase() ?? each.fault})`]));
  const figure = (value) => (value === null || value === undefined ? null : Number(value.toFixed(2)));
  const fields = {
    what: choice("What was tried", options, `${first.fix}:${first.fault}`),
    parts: number("Parts paid", figure(first.parts), MONEY),
    hours: number("Own time", figure(first.bench_hours), HOURS),
    snag: tick("Something else was made worse"),
    done_on: day("On"),
  };
  fields.what.input.addEventListener("change", () => {
    const chosen = tries.find((each) => `${each.fix}:${each.fault}` === fields.what.input.value);
    fields.parts.set(figure(chosen.parts));
    fields.hours.set(figure(chosen.bench_hours));
  });
  const write = (cured) => async (typed, key, sure) => {
    const [name, fault] = typed.what.split(":");
    const done = bare({ fix: name, fault, cured, parts: typed.parts, hours: typed.hours, snag: typed.snag, done_on: typed.done_on, sure, terms: unlimited() });
    const words = `${it.facts.fixes.get(name)?.name ?? name}: ${cured ? "cured" : "failed"}`;
    return [`${id}: ${words}.`, await tried(id, done, `${key}-${cured}`, words)];
  };
  docket(`Work done on ${id}`, `work.${id}.${fix ? `${fix.fix}.${fix.fault}` : ""}`, fields, [["Cured", write(true)], ["Failed", write(false), "second"]], it);
}

/** A listed week, at the ask that is advised or that stands. */
async function openListed(it) {
  const { id } = it.machine;
  const standing = it.record.entry.weeks.at(-1)?.ask;
  const price = await advised(it);
  const fields = {
    ask: number("Asked", standing ?? (price?.keeping.verdict === "keep" ? price.keeping.ask_now : price?.ask) ?? null, { ...MONEY, minimum: 0.01, required: true }),
    offer: number("Best offer refused this week", null, { ...MONEY, minimum: 0.01 }),
    enquiries: number("People who asked", null, { whole: true, minimum: 0, maximum: 10000 }),
    week_of: day("In the week of"),
  };
  const write = async (typed, key) => {
    const week = bare({ week_of: typed.week_of, ask: typed.ask, offers: typed.offer ? [typed.offer] : [], enquiries: typed.enquiries });
    const words = `listed at ${money(typed.ask)}`;
    return [`${id}: ${words}.`, await offered(it.record, week, key, words)];
  };
  docket(`${id} listed`, `listed.${id}`, fields, [["Write it down", write]], it);
}

/** The sale, at the price that is expected until another is typed. */
async function openSold(it) {
  const { id } = it.machine;
  const price = await advised(it);
  const { value, safety } = await it.valuation();
  const expected = price && price.keeping.verdict !== "keep" ? price.expected_price : value.amount;
  const usual = (price?.sold_as ?? "working").replaceAll(" ", "_");
  const fields = {
    price: number("Price received", Math.round(expected), { ...MONEY, minimum: 0.01, required: true }),
    sold_as: choice("Sold", SOLD_AS, usual === "working" && !safety.may_be_sold ? "for_repair" : usual),
    fees: number("Fees", null, MONEY),
    hours: number("Own time for the sale", null, HOURS),
    sold_on: day("On"),
  };
  const write = async (typed, key, sure) => {
    const words = `sold for ${paid(typed.price)}`;
    const now = await sell(bare({ id, ...typed, sure, terms: unlimited() }), key, words);
    return [`${id}: ${words}${now.entry ? `; ${money(now.entry.sale.prediction.amount)} was expected` : ""}.`, now];
  };
  const doubt = (typed) => (typed.price > SURE.most * expected || typed.price < SURE.least * expected
    ? `${money(typed.price)} is ${typed.price > expected ? "far above" : "far below"} the ${money(expected)} that was expected.` : null);
  const stop = safety.may_be_sold ? null : h("p", { class: "not" }, `⊘ ${plain(safety.statement, it.facts)}`);
  docket(`${id} is sold`, `sold.${id}`, fields, [["Write it down", write, null, doubt]], it, stop);
}

/** The asking price where there is one; a sale can be written down without it. */
async function advised(it) {
  try {
    const price = await it.asking();
    return price.refusal ? null : price;
  } catch {
    return null;
  }
}

async function unsell(it) {
  const { sale, ...rest } = bare(it.record.entry);
  const now = await putBack({ entry: rest }, it.record).catch((error) => error);
  if (now instanceof Error) return wrote(`Not taken back: ${now.message}`);
  const before = { entry: bare(it.record.entry) };
  wrote(`${it.machine.id} stands on the bench again; the sale for ${money(sale.price)} is off.`, () => putBack(before, now));
  return window.dispatchEvent(new Event("records-changed"));
}
