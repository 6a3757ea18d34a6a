// A shop's quote against selling and a new machine, from the owner's view.

import { freshId, h, refill } from "./dom.js";
import { keep, kept } from "./keep.js";
import { trouble } from "./trouble.js";
import { money, percent } from "./words.js";
import { plain } from "./worth.js";

const FIELDS = { parts: "Parts", hours: "Hours", rate: "An hour costs", diagnosis_fee: "Fee for looking", new_price: "Comparable new machine" };

/** A form for the shop's figures; what is left empty is usual. */
export async function ownerPart(it) {
  const name = `quote.${it.machine.id}`;
  const typed = kept(name, {});
  const answer = h("div", { role: "status" });
  const inputs = Object.fromEntries(Object.keys(FIELDS).map((field) =>
    [field, h("input", { id: freshId(field), type: "number", inputmode: "decimal", min: 0, step: "any", value: typed[field] ?? "" })]));
  const given = () => Object.fromEntries(Object.entries(inputs).filter(([, input]) => input.value !== "").map(([field, input]) => [field, Number(input.value)]));
  const form = h("form", { class: "holds", on: { input: () => keep(name, given()), submit: (event) => { event.preventDefault(); weigh(it, given(), answer); } } },
    h("div", { class: "fields" }, Object.entries(FIELDS).map(([field, words]) => h("p", {}, h("label", { for: inputs[field].id }, words), inputs[field])),
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
