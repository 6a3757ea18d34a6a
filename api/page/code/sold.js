// What was sold: the price beside what was expected that day, and what was left over.

import { h, refill } from "./dom.js";
import { rowRule } from "./pictures.js";
import { entries } from "./records.js";
import { calledOf, tag } from "./tag.js";
import { fill } from "./trouble.js";
import { change, count, money, time } from "./words.js";

/** Put the sales on the page, newest first. */
export async function show(main, _id, signal, { again } = {}) {
  const place = (again && main.querySelector(".sold-list")) || h("div", { class: "sold-list" });
  if (!place.isConnected) refill(main, h("h1", {}, "Sold"), place);
  await fill(place, "Reading the sales", async () => listed((await entries("sold", signal)).map((each) => each.entry)), signal);
}

function listed(sold) {
  if (!sold.length) return h("div", { class: "empty" }, h("p", {}, "Nothing sold yet. Each sale you write down corrects the values; those of unrepaired machines teach most."));
  const accounts = sold.map(account);
  const sum = (name) => accounts.reduce((total, each) => total + each[name], 0);
  const hours = sum("hours");
  const most = Math.max(...sold.map((entry) => Math.max(entry.sale.price, entry.sale.prediction?.high ?? 0)));
  return [
    h("p", { class: "lead" }, `${count(sold.length, "machine", "machines")} brought `, h("strong", {}, money(sum("profit"))), hours ? ` over cost in ${time(hours)}: ${change(sum("profit") / hours)} an hour.` : " over cost."),
    h("p", { class: "fine" }, "Money and hours already spent stand here only; no advice looks at them. On the rule: the thick mark is the price paid, the pale part the range expected that day."),
    h("ol", { class: "rows", "aria-label": "Sales, the newest first" }, accounts.toReversed().map((each) => row(each, most))),
  ];
}

function account(entry) {
  const parts = entry.fixes.reduce((total, fix) => total + (fix.parts ?? 0), 0);
  const hours = [entry.hours, entry.sale.hours, ...entry.fixes.map((fix) => fix.hours)].reduce((total, each) => total + (each ?? 0), 0);
  return { entry, hours, profit: entry.sale.price - (entry.paid ?? 0) - parts - (entry.sale.fees ?? 0) };
}

function row({ entry, profit, hours }, most) {
  const { sale, machine } = entry;
  const said = sale.prediction;
  const inside = said && said.low <= sale.price && sale.price <= said.high;
  return h("li", { class: "row", "data-key": machine.id },
    h("a", { class: "row-name", href: `#/machine/${encodeURIComponent(machine.id)}` }, tag(machine.id), calledOf(machine)),
    h("p", { class: "row-facts" }, h("time", { datetime: sale.sold_on }, sale.sold_on), ` · sold ${sale.sold_as.replaceAll("_", " ").replace("working", "as working")}`),
    h("p", { class: "row-money" }, h("span", {}, h("small", {}, "price "), h("b", {}, money(sale.price))), h("span", {}, h("small", {}, "over cost "), h("b", {}, change(profit))), hours ? h("span", {}, h("small", {}, `in ${time(hours)}`)) : null),
    said ? rowRule({ low: said.low, high: said.high, now: sale.price, after: sale.price, most }) : null,
    said ? h("p", { class: "row-plan" }, `Expected that day: ${money(said.amount)}, ${money(said.low)} to ${money(said.high)}; the price fell ${inside ? "in" : "outside"} the range.`) : null);
}
