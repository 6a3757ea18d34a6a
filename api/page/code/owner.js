// A shop's quote against selling and a new machine, from the owner's view.

import { h, refill } from "./dom.js";
import { keep, kept } from "./keep.js";
import { numberField, unread } from "./numbers.js";
import { trouble } from "./trouble.js";
import { money, percent } from "./words.js";
import { plain } from "./worth.js";

const FIELDS = { parts: "Parts", hours: "Hours", rate: "An hour costs", diagnosis_fee: "Fee for looking", new_price: "Comparable new machine" };

/** A form for the shop's figures; what is left empty is usual. */
export async function ownerPart(it) {
  const name = `quote.${it.machine.id}`;
  const typed = kept(name, {});
  const answer = h("div", { role: "status" });
  const fields = Object.fromEntries(Object.entries(FIELDS).map(([field, words]) =>
    [field, numberField(words, typed[field] ?? null, () => keep(name, given()), { minimum: 0, maximum: 1e6, ...(field === "hours" ? { unit: "hours", maximum: 1000 } : { money: true }) })]));
  const given = () => Object.fromEntries(Object.entries(fields).map(([field, { value }]) => [field, value()]).filter(([, value]) => value !== null));
  const form = h("form", { class: "holds", novalidate: true, "data-own": name, on: { submit: (event) => { event.preventDefault(); if (!unread(form)) weigh(it, given(), answer); } } },
    h("div", { class: "fields" }, Object.values(fields).map(({ node }) => node),
      h("button", { type: "submit" }, "Repair, sell or replace?")), answer);
  return h("details", {}, h("summary", {}, "Weigh a shop's quote"), form);
}

async function weigh(it, figures, answer) {
  try {
    const { repair_quotes: [quote] } = await it.question("/v1/repair-quotes", "Weighing the quote", { quotes: { [it.machine.id]: figures } });
    refill(answer, h("p", { class: "lead" }, h("strong", {}, `${{ repair: "Repair it", "sell as it stands": "Sell it as it stands", replace: "Replace it" }[quote.advised]}. `), plain(quote.reason, it.facts)),
      h("p", { class: "fine" }, `The bill would be ${money(quote.bill)}, ${percent(quote.share_of_value)} of what it is worth afterwards.`),
      h("dl", { class: "pairs" }, quote.options.map((option) => h("div", {}, h("dt", {}, option.option), h("dd", {}, `${option.says}`)))));
  } catch (error) {
    refill(answer, trouble(error));
  }
}
