// The bench: what this week's hours and cash are best spent on, and every machine in that order.

import { catalogue } from "./facts.js";
import { h, refill, sentences } from "./dom.js";
import { ask } from "./http.js";
import { latest } from "./latest.js";
import { rowRule } from "./pictures.js";
import { bare, entries } from "./records.js";
import { facts as factsOf, safetyWords, tag } from "./tag.js";
import { setTerms, terms, thisWeek } from "./terms.js";
import { fill, trouble } from "./trouble.js";
import { benchTerms } from "./week.js";
import { change, count, money, outOfRange, time } from "./words.js";

const ACTIONS = {
  work: "This week", "sell as it stands": "Sell as it stands", "break for parts": "Break for parts",
  scrap: "Scrap it", "not this week": "Not this week",
};

/** Put the bench on the page. */
export async function show(main, _id, signal) {
  const plan = h("section", { class: "week", "aria-labelledby": "week-head" });
  const list = h("div", {});
  refill(main, h("h1", {}, "The bench"), h("div", { class: "bench" }, plan, list));
  await fill(list, "Reading the bench", async () => {
    const found = await entries("bench", signal);
    if (!found.length) return [plan.remove(), empty()][1];
    return whole(found.map((each) => each.entry), plan, signal);
  }, signal);
}

function empty() {
  return h("section", { class: "empty" },
    h("p", {}, "Nothing stands on the bench. Take a machine in and you see what it is worth while you type; half of the answers may stay unknown."),
    h("p", {}, h("a", { class: "act", href: "#/take" }, "Take one in")));
}

async function whole(bench, plan, signal) {
  const facts = await catalogue();
  const said = h("div", { "aria-live": "polite" });
  const it = {
    bench: new Map(bench.map((entry) => [entry.machine.id, entry])),
    machines: bench.map((entry) => bare(entry.machine)),
    facts, said, signal,
    rows: h("ol", { class: "rows", "aria-label": "Machines, the one to work on first at the top" }),
    fine: h("p", { class: "fine" }),
  };
  const again = latest(replan);
  refill(plan, h("h2", { id: "week-head" }, "This week"),
    benchTerms(terms(), (some) => { setTerms(some); return again(it); }), said);
  await replan(it);
  return [it.rows, it.fine];
}

/** Choose under the hours and cash that stand in the controls. */
async function replan(it) {
  try {
    const { bench_plan: week, bench_ranking: ranking } =
      await ask("/v1/bench-plans", { machines: it.machines, terms: thisWeek() }, "Planning the week", it.signal);
    refill(it.said, saidOf(week, it.facts));
    refill(it.rows, ordered(week, ranking).map((pair) => row(pair, ranking, it)));
    refill(it.fine, `All sums in ${ranking.currency}; an hour of yours counts ${money(ranking.hour_value)}. `,
      "On the rule: the thick mark is the value now, the pale part its range, the bar above what the best plan adds.");
  } catch (error) {
    if (error.name !== "AbortError") refill(it.said, trouble(error, () => replan(it)));
  }
}

/** What the plan comes to, and what a little more time or cash would bring. */
function saidOf(week, facts) {
  const work = week.machines.filter((each) => each.action === "work");
  const more = [
    week.hours_free !== null && `One more hour would bring ${money(week.one_more_hour)}`,
    week.cash_free !== null && `ten more in cash ${money(week.ten_more_cash)}`,
  ].filter(Boolean).join(", ");
  return [
    h("p", { class: "lead" }, work.length
      ? [h("strong", {}, change(week.expected_return)), ` expected from ${time(week.bench_hours)} on ${count(work.length, "machine", "machines")}; up to ${money(week.cash)} for parts.`]
      : "Nothing on this bench pays for its parts and hours within these limits; sell as it stands what may be sold."),
    work.length ? h("ol", { class: "order" }, work.map((each) => h("li", {},
      h("a", { href: `#/machine/${encodeURIComponent(each.id)}` }, each.id), ": ", named(each.fixes, facts),
      h("span", { class: "why" }, ` ${change(each.expected_return)} for ${time(each.bench_hours)}`)))) : null,
    more ? h("p", { class: "fine" }, `${more}.`) : null,
    sentences(week.warnings.slice(1), "fine"),
  ];
}

function ordered(week, ranking) {
  const place = new Map(week.machines.map((each, index) => [each.id, index]));
  return ranking.machines
    .map((machine) => ({ machine, action: week.machines[place.get(machine.id)] }))
    .sort((a, b) => (a.action.action !== "work") - (b.action.action !== "work") || (place.get(a.machine.id) - place.get(b.machine.id)) * (a.action.action === "work"));
}

const named = (fixes, facts) => fixes.map((id) => facts.fixes.get(id)?.name ?? id).join("; ");

function row({ machine, action }, ranking, { bench, facts }) {
  const most = Math.max(...ranking.machines.map((each) => Math.max(each.value.high, each.value_after)));
  const entry = bench.get(machine.id);
  const now = action.action === "work";
  const plan = now ? action.fixes : machine.plan;
  const [brings, takes] = now ? [action.expected_return, action.bench_hours] : [machine.expected_return, machine.bench_hours];
  return h("li", { class: now ? "row chosen" : "row" },
    h("a", { class: "row-name", href: `#/machine/${encodeURIComponent(machine.id)}` }, tag(machine.id)),
    h("p", { class: "row-facts" }, factsOf(entry.machine), entry.weeks.length ? ` · listed at ${money(entry.weeks.at(-1).ask)}` : ""),
    h("p", { class: "row-money" }, h("span", {}, h("small", {}, "now "), h("b", {}, money(machine.value_now))),
      plan.length ? h("span", {}, h("small", {}, "after "), h("b", {}, money(machine.value_after))) : null,
      plan.length ? h("span", {}, h("small", {}, "an hour "), h("b", {}, change(takes ? brings / takes : machine.return_per_hour))) : null),
    rowRule({ low: machine.value.low, high: machine.value.high, now: machine.value_now, after: machine.value_after, most }),
    h("p", { class: "row-plan" }, h("strong", {}, `${ACTIONS[action.action]}`), plan.length ? `: ${named(plan, facts)}` : "",
      plan.length ? h("span", { class: "why" }, ` ${change(brings)} for ${time(takes)}; ${Math.round(machine.chance_of_loss * 100)} times in 100 it loses money`) : ""),
    outOfRange(machine.warnings).length ? h("p", { class: "row-range not" }, "Outside the range of the data: look at it before trusting these sums.") : null,
    h("p", { class: "row-safety" }, safetyWords(machine.safety, facts)));
}
