// What to ask, when to cut to what, the least to take, and what to say to an offer at the door.

import { freshId, h, refill } from "./dom.js";
import { keep, kept } from "./keep.js";
import { saleCurve, weeksPlan } from "./pictures.js";
import { trouble, fill } from "./trouble.js";
import { money, month, percent } from "./words.js";

const HORIZONS = [4, 8, 12, 20, 26];
const SOLD_AS = { working: "as working", "for repair": "for repair, not to be run", "for parts": "for parts", scrap: "as scrap" };

/** The part about the asking price; the weeks until it must be gone are a choice. */
export async function asking(it) {
  const id = freshId("weeks");
  const place = h("div", {});
  const choice = h("select", { id, on: { change: () => { keep("weeks", Number(choice.value)); draw(); } } },
    HORIZONS.map((weeks) => h("option", { value: weeks }, `${weeks} weeks`)));
  choice.value = kept("weeks", 12);
  const draw = () => fill(place, "Working out the asking price", async () => told(await it.asking(Number(choice.value)), it), it.signal);
  await draw();
  return [h("p", { class: "choice" }, h("label", { for: id }, "It must be gone within"), choice), place];
}

function told(price, it) {
  if (price.refusal) return h("p", { class: "lead not" }, `✕ ${price.refusal}`);
  return [
    h("p", { class: "lead" }, "Ask ", h("strong", {}, money(price.ask)), ` ${price.value.currency}, ${SOLD_AS[price.sold_as]}. Expect ${money(price.expected_price)} in about ${price.expected_weeks} weeks.`),
    h("dl", { class: "pairs" },
      pair("Least to take today", `${money(price.least_to_take)}, kept to yourself`),
      pair("Sold by", price.sold_by.map((each) => `week ${each.week}: ${percent(each.chance)}`).join(" · ")),
      price.fast_sale && pair("Gone within a week", `ask ${money(price.fast_sale.ask)} (${percent(price.fast_sale.chance)}), expect ${money(price.fast_sale.expected_price)}`),
      pair("A week of standing costs", money(price.storage_a_week)),
      price.left_over !== null && pair("Left over at the end", `${money(price.left_over)} from a repairer`)),
    price.keeping && h("p", {}, h("strong", {}, price.keeping.verdict === "keep" ? `Keep it for ${month(price.keeping.month)}. ` : "List it now. "), price.keeping.reason),
    price.curve.length > 2 ? [h("h3", {}, "Chance of a sale against the ask"), saleCurve(price.curve, price.ask)] : null,
    price.weeks.length ? [h("h3", {}, "Week by week"), weeksPlan(price.weeks), table(price.weeks)] : null,
    offerForm(price, it),
  ];
}

const pair = (name, value) => h("div", {}, h("dt", {}, name), h("dd", {}, value));

function table(weeks) {
  return h("details", {}, h("summary", {}, "The same in figures"), h("div", { class: "scrolls", tabindex: 0, role: "group", "aria-label": "Plan week by week" },
    h("table", {}, h("thead", {}, h("tr", {}, ["Week", "Month", "Ask", "Least to take", "Sells this week", "Sold by then"].map((name) => h("th", { scope: "col" }, name)))),
      h("tbody", {}, weeks.map((week) => h("tr", {}, h("th", { scope: "row" }, week.week), [month(week.month).slice(0, 3), `${week.cut ? "↓ " : ""}${money(week.ask)}`,
        money(week.least_to_take), percent(week.chance), percent(week.sold_by)].map((cell) => h("td", {}, cell))))))));
}

/** Somebody offers so much: take it, name another price, or wait. */
function offerForm(price, it) {
  const ids = { offer: freshId("offer"), week: freshId("week") };
  const name = `offer.${it.machine.id}`;
  const typed = kept(name, { offer: "", week: 1 });
  const answer = h("div", { role: "status" });
  const offer = h("input", { id: ids.offer, type: "number", inputmode: "decimal", min: 1, step: "any", required: true, value: typed.offer });
  const week = h("input", { id: ids.week, type: "number", inputmode: "numeric", min: 1, max: 52, required: true, value: typed.week });
  const remember = () => keep(name, { offer: offer.value, week: week.value });
  return h("form", { class: "offer holds", on: { input: remember, submit: (event) => { event.preventDefault(); judge(it, price, offer, week, answer); } } },
    h("h3", {}, "An offer at the door"),
    h("div", { class: "fields" },
      h("p", {}, h("label", { for: ids.offer }, "Offered"), offer),
      h("p", {}, h("label", { for: ids.week }, "In week"), week),
      h("button", { type: "submit" }, "What to say")),
    answer);
}

async function judge(it, price, offer, week, answer) {
  try {
    const { offers: [said] } = await it.question("/v1/offers", "Weighing the offer",
      { offer: Number(offer.value), week: Number(week.value), weeks: Math.max(price.horizon, Number(week.value)) });
    if (said.refusal) return refill(answer, h("p", { class: "not" }, said.refusal));
    const words = { "take it": "Take it.", counter: `Say ${money(said.counter ?? 0)}.`, wait: "Wait." }[said.verdict];
    return refill(answer, h("p", { class: "lead" }, h("strong", {}, words), ` ${said.reason}`),
      h("p", { class: "fine" }, `Taking it brings ${money(said.take_brings)}, waiting ${money(said.wait_brings)}`,
        said.counter ? `, naming ${money(said.counter)} ${money(said.counter_brings)} (paid ${percent(said.counter_accepted)} of the time).` : "."));
  } catch (error) {
    return refill(answer, trouble(error));
  }
}

