// Somebody offers so much: take it, name another price, or wait. The week and the ask are those on record.

import { button, h, refill } from "./dom.js";
import { keep, kept } from "./keep.js";
import { numberField, unread } from "./numbers.js";
import { weeksToSell } from "./terms.js";
import { trouble } from "./trouble.js";
import { money, percent } from "./words.js";

/** The part about offers: the least to take, and a form that judges one. */
export async function offerPart(it) {
  const price = await it.asking();
  if (price.refusal) return h("p", { class: "lead not" }, `⊘ ${price.refusal}`);
  return [price.first ? h("p", { class: "lead not" }, `⊘ ${price.first}`) : null,
    h("p", {}, "Least to take today: ", h("strong", {}, money(price.least_to_take)), ", kept to yourself. Asked ", money(price.ask), "."), offerForm(it)];
}

/** The form alone, as the docket takes it too. What was typed stays on this device. */
export function offerForm(it) {
  const name = `offer.${it.machine.id}`;
  const answer = h("div", { role: "status" });
  const offer = numberField("Offered", null, (_value, text) => keep(name, { text }), { money: true, minimum: 0.01, maximum: 1e7, typed: kept(name, { text: "" }).text, required: true });
  const judge = (sure) => judged(it, offer.value(), answer, sure, () => judge(true));
  const form = h("form", { class: "offer holds", novalidate: true, "data-own": name, on: { submit: (event) => {
    event.preventDefault();
    if (!unread(form)) judge(false);
  } } }, h("div", { class: "fields" }, offer.node, h("button", { type: "submit" }, "What to say")), answer);
  return form;
}

async function judged(it, offer, answer, sure, again) {
  if (offer === null) return refill(answer, h("p", { class: "not" }, "Type what is offered."));
  try {
    const { offers: [said] } = await it.question("/v1/offers", "Weighing the offer", { offer, weeks: weeksToSell(), sure });
    if (said.refusal) return refill(answer, h("p", { class: "not" }, said.refusal));
    const words = { "take it": "Take it.", counter: `Counter with ${money(said.counter ?? 0)}.`, wait: "Wait.", "ask back": "Is that right?" }[said.verdict];
    return refill(answer, said.first ? h("p", { class: "not" }, `⊘ ${said.first}`) : null,
      h("p", { class: "lead" }, h("strong", {}, words), ` ${said.reason}`),
      said.verdict === "ask back" ? button("It is meant", again, { class: "quiet" }) : null,
      h("p", { class: "fine" }, `Taking it brings ${money(said.take_brings)}, waiting ${money(said.wait_brings)}`,
        said.counter ? `, countering with ${money(said.counter)} ${money(said.counter_brings)} (paid ${percent(said.counter_accepted)} of the time).` : "."));
  } catch (error) {
    return refill(answer, trouble(error));
  }
}
