// What to ask, when to cut to what, the least to take; why it has not sold.

import { freshId, h } from "./dom.js";
import { saleCurve, weeksPlan } from "./pictures.js";
import { setOwn, weeksToSell } from "./terms.js";
import { fill } from "./trouble.js";
import { money, month, percent } from "./words.js";

const HORIZONS = [4, 8, 12, 20, 26];

/** The part about the asking price; the weeks until it must be gone are a choice. */
export async function asking(it) {
  const id = freshId("weeks");
  const place = h("div", {});
  const choice = h("select", { id, on: { change: () => { setOwn({ weeks: Number(choice.value) }); draw(); } } },
    [...new Set([...HORIZONS, weeksToSell()])].sort((a, b) => a - b).map((weeks) => h("option", { value: weeks }, `${weeks} weeks`)));
  choice.value = weeksToSell();
  const draw = () => fill(place, "Working out the asking price", async () => told(await it.asking(Number(choice.value)), it), it.signal);
  await draw();
  return [h("p", { class: "choice", "data-own": "weeks" }, h("label", { for: id }, "It must be gone within"), choice), place];
}

const RUNGS = { worth: "Worth", ask: "Ask", expect: "Expect", least: "Least to take" };

function told(price, it) {
  const { value, keeping } = price;
  const gates = [price.first && h("p", { class: "lead not" }, `⊘ ${price.first}`),
    price.sold_as === "for repair" && h("p", { class: "lead" }, "For repair or parts only, not to be run.")];
  if (price.refusal) return [gates, h("p", { class: "lead not" }, `⊘ ${price.refusal}`), soFar(price.so_far)];
  return [
    gates,
    price.first && h("p", {}, "The prices for after that:"),
    h("dl", { class: "pairs ladder" }, price.ladder.map((rung) => pair(RUNGS[rung.name], h("strong", {}, `${money(rung.amount)} ${value.currency}`), `, ${rung.says}`))),
    keeping.verdict === "keep" ? h("p", {}, h("strong", {}, `Keep it for ${month(keeping.month)}. `), keeping.reason, ` If it is to be listed today all the same: ask ${money(keeping.ask_now)}.`) : null,
    keeping.verdict === "list now" ? h("p", {}, h("strong", {}, price.week > 1 ? "Leave it listed. " : "List it now. "), keeping.reason) : null,
    soFar(price.so_far),
    h("dl", { class: "pairs" },
      pair(`Sold, from ${price.week > 1 ? "today" : "its listing"} on`, price.sold_by.map((each) => `week ${each.week}: ${percent(each.chance)}`).join(" · ")),
      price.fast_sale && pair("Gone within a week", `ask ${money(price.fast_sale.ask)} (${percent(price.fast_sale.chance)}), expect ${money(price.fast_sale.expected_price)}`),
      pair("A week of standing costs", money(price.storage_a_week)),
      price.left_over !== null && pair("Left over at the end", `${money(price.left_over)} from a repairer`)),
    price.curve.length > 2 ? [h("h3", {}, "Chance of a sale against the ask"), saleCurve(price.curve, price.ask)] : null,
    price.weeks.length ? [h("h3", {}, "Week by week"), weeksPlan(price.weeks), table(price.weeks)] : null,
  ];
}

/** What the weeks listed have said, and why it has not sold. */
function soFar(told) {
  if (!told) return null;
  const offers = told.best_offer ? `, ${money(told.best_offer)} refused` : "";
  const asking = told.enquiries === null ? "" : `, ${told.enquiries} asked`;
  return [h("h3", {}, "Why it has not sold"),
    h("p", {}, `Listed ${told.weeks === 1 ? "a week" : `${told.weeks} weeks`} at ${money(told.first_ask)}, now ${money(told.ask)}${offers}${asking}. Of machines worth the ${money(told.believed)} believed before, ${percent(told.unsold)} would be unsold by now. ${told.moved}`),
    h("ul", {}, told.reasons.filter((each) => each.odds >= 0.05).map((each) => h("li", {}, h("b", {}, percent(each.odds)), ` ${each.says} ${each.do}`)))];
}

const pair = (name, ...value) => h("div", {}, h("dt", {}, name), h("dd", {}, value));

function table(weeks) {
  return h("details", {}, h("summary", {}, "The same in figures"), h("div", { class: "scrolls", tabindex: 0, role: "group", "aria-label": "Plan week by week" },
    h("table", {}, h("thead", {}, h("tr", {}, ["Week", "Month", "Ask", "Least to take", "Sells this week", "Sold by then"].map((name) => h("th", { scope: "col" }, name)))),
      h("tbody", {}, weeks.map((week) => h("tr", {}, h("th", { scope: "row" }, week.week), [month(week.month).slice(0, 3), `${week.cut ? "↓ " : ""}${money(week.ask)}`,
        money(week.least_to_take), percent(week.chance), percent(week.sold_by)].map((cell) => h("td", {}, cell))))))));
}
