// What was done to a machine and what it took; no decision looks at it.

import { button, h } from "./dom.js";
import { deeds, remove, takeBack } from "./records.js";
import { wrote } from "./slip.js";
import { change, money, time } from "./words.js";

/** The part about the past: taking in, tries, weeks listed, the sale. */
export async function historyPart(it) {
  const { entry } = it.record;
  const lines = [
    line(entry.taken_on, "Taken in", [entry.paid && `paid ${money(entry.paid)}`, entry.hours && `${time(entry.hours)} of your own`]),
    ...entry.fixes.map((fix) => line(fix.done_on, `${it.facts.fixes.get(fix.fix)?.name ?? fix.fix}: ${fix.cured ? "cured" : "failed"}`,
      [fix.parts && `${money(fix.parts)} in parts`, fix.hours && time(fix.hours), fix.promised !== null && `${change(fix.promised)} was expected`, fix.snag && "made something else worse"])),
    ...entry.weeks.map((week) => line(week.week_of, `Listed at ${money(week.ask)}`,
      [week.offers.length && `offered ${week.offers.map(money).join(", ")}`, week.enquiries && `${week.enquiries} asked`])),
    entry.sale && line(entry.sale.sold_on, `Sold for ${money(entry.sale.price)}`, [entry.sale.sold_as.replaceAll("_", " "),
      entry.sale.prediction && `${money(entry.sale.prediction.amount)} was expected (${money(entry.sale.prediction.low)} to ${money(entry.sale.prediction.high)})`]),
  ].filter(Boolean);
  return [entry.machine.note ? h("p", { class: "note" }, entry.machine.note) : null, h("ol", { class: "past" }, lines.sort((a, b) => a.day.localeCompare(b.day)).map((each) => each.node)),
    h("p", { class: "fine" }, spent(entry)),
    entry.sale ? null : h("details", {}, h("summary", {}, "Remove it from the records"),
      h("p", {}, "For a machine written down by mistake. Everything that was done to it goes too."),
      button(`Remove ${entry.machine.id}`, () => removed(it), { class: "stop" }))];
}

function line(day, words, more) {
  return { day, node: h("li", {}, h("time", { datetime: day }, day), " ", h("span", {}, words), h("small", {}, more.filter(Boolean).join(" · "))) };
}

function spent(entry) {
  const sum = (list, name) => list.reduce((total, each) => total + (each[name] ?? 0), 0);
  const cash = (entry.paid ?? 0) + sum(entry.fixes, "parts") + (entry.sale?.fees ?? 0);
  const hours = (entry.hours ?? 0) + sum(entry.fixes, "hours") + (entry.sale?.hours ?? 0);
  const profit = entry.sale ? ` It left ${money(entry.sale.price - cash)}.` : "";
  return `Spent so far: ${money(cash)} and ${time(hours)}.${profit} What is spent is spent: no advice looks at it.`;
}

async function removed(it) {
  const { id } = it.machine;
  try {
    await remove(it.record);
    const [done] = (await deeds(0)).filter((each) => each.id === id);
    wrote(`${id} was removed from the records.`, done && (() => takeBack(done.number)));
    location.hash = "#/bench";
  } catch (error) {
    wrote(`Not removed: ${error.message}`);
  }
}

