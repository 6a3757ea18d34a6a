// The bench: what this week's hours and cash are best spent on, and every machine in that order.

import { catalogue } from "./facts.js";
import { freshId, h, redraw, refill, sentences } from "./dom.js";
import { ask } from "./http.js";
import { keep, kept } from "./keep.js";
import { latest } from "./latest.js";
import { rowRule } from "./pictures.js";
import { at } from "./plain.js";
import { bare, entries } from "./records.js";
import { calledOf, facts as factsOf, safetyWords, tag } from "./tag.js";
import { setTerms, terms, thisWeek } from "./terms.js";
import { fill, trouble } from "./trouble.js";
import { todayPart } from "./todays.js";
import { together } from "./together.js";
import { benchTerms } from "./week.js";
import { change, count, money, outOfRange, time } from "./words.js";
import { plain } from "./worth.js";

const ACTIONS = {
  work: "This week", "sell as it stands": "Sell as it stands", "break for parts": "Break for parts",
  scrap: "Scrap it", "not this week": "Not this week",
};

const SORTS = {
  plan: ["this week's plan", (a, b) => a.order - b.order],
  hourly: ["an hour brings", (a, b) => b.hourly - a.hourly],
  value: ["value now", (a, b) => b.value - a.value],
  since: ["longest here", (a, b) => a.entry.taken_on.localeCompare(b.entry.taken_on)],
  sold: ["may be sold", (a, b) => b.may - a.may || b.value - a.value],
  name: ["name", (a, b) => a.id.localeCompare(b.id, "en", { numeric: true })],
};
const FILTERS = {
  all: ["all", () => true],
  week: ["this week's work", (each) => each.chosen],
  may: ["may be sold", (each) => each.may],
  not: ["not yet", (each) => !each.may],
  listed: ["listed", (each) => each.entry.weeks.length > 0],
  unlisted: ["not listed", (each) => each.entry.weeks.length === 0],
};
let stands = null;

/** Put the bench on the page; where it stands already, draw only what has changed. */
export async function show(main, _id, signal, { again } = {}) {
  const old = again && stands?.list.isConnected ? stands : null;
  const plan = old?.plan ?? h("section", { class: "week", "aria-labelledby": "week-head" });
  const list = old?.list ?? h("div", { class: "list" });
  stands = { ...old, plan, list };
  if (!old) refill(main, h("h1", {}, "The bench"), h("div", { class: "bench" }, list, plan));
  await fill(list, "Reading the bench", async () => {
    const found = await entries("bench", signal);
    plan.hidden = !found.length;
    if (!found.length) return empty();
    return whole(found, plan, signal);
  }, signal);
}

function empty() {
  return h("section", { class: "empty" },
    h("p", {}, "Nothing stands on the bench. Take a machine in and you see what it is worth while you type; half of the answers may stay unknown."),
    h("p", {}, h("a", { class: "act", href: "#/take" }, "Take one in")), todayPart());
}

async function whole(found, plan, signal) {
  const facts = await catalogue();
  const bench = found.map((each) => each.entry);
  const it = {
    entries: bench,
    waits: new Set(found.filter(({ waits }) => waits).map(({ entry }) => entry.machine.id)),
    machines: bench.map((entry) => bare(entry.machine)),
    facts, signal, answer: null,
    said: h("div", { "aria-live": "polite", "data-own": "said" }),
    rows: h("ol", { class: "rows", "aria-label": "Machines", "data-own": "rows" }),
    fine: h("p", { class: "fine", "data-own": "fine" }),
    look: kept("bench.look", { words: "", sort: "plan", filter: "all" }),
  };
  if (stands.it) Object.assign(it, { said: stands.it.said, rows: stands.it.rows, fine: stands.it.fine, answer: stands.it.answer });
  stands.it = it;
  if (!plan.childNodes.length) {
    const again = latest(() => replan(stands.it));
    const limits = h("summary", {}, limitsOf(terms()));
    refill(plan, h("h2", { id: "week-head" }, "This week"), h("details", { open: window.matchMedia("(min-width: 900px)").matches }, limits,
      benchTerms(terms(), (some) => { setTerms(some); refill(limits, limitsOf(terms())); return again(); })), it.said,
      together(() => stands.it.machines, signal), todayPart());
  }
  draw(it);
  await replan(it);
  return [finder(it), it.rows, it.fine];
}

const limitsOf = ({ hours, cash, hour_value }) => `${hours === null ? "No limit of hours" : time(hours)}, ${cash === null ? "no limit of cash" : `${money(cash)} for parts`}, an hour ${money(hour_value)}`;

/** Search, order and choice: kept on this device. */
function finder(it) {
  const ids = { words: freshId("words"), sort: freshId("sort"), filter: freshId("filter") };
  const set = (some) => {
    stands.it.look = { ...stands.it.look, ...some };
    keep("bench.look", stands.it.look);
    draw(stands.it);
  };
  const words = h("input", { id: ids.words, type: "search", autocomplete: "off", placeholder: "name, drive, fault …", value: it.look.words, on: { input: () => set({ words: words.value }) } });
  const choice = (name, options) => {
    const select = h("select", { id: ids[name], on: { change: () => set({ [name]: select.value }) } }, Object.entries(options).map(([key, [label]]) => h("option", { value: key }, label)));
    select.value = it.look[name];
    return select;
  };
  return h("div", { class: "finder", "data-own": "finder" }, h("p", {}, h("label", { for: ids.words }, "Find"), words),
    h("p", {}, h("label", { for: ids.filter }, "Show"), choice("filter", FILTERS)), h("p", {}, h("label", { for: ids.sort }, "In order of"), choice("sort", SORTS)));
}

/** Choose under the hours and cash that stand in the controls. */
async function replan(it) {
  try {
    it.answer = await ask("/v1/bench-plans", { machines: it.machines, terms: thisWeek() }, "Planning the week", it.signal);
    redraw(it.said, saidOf(it.answer.bench_plan, it.facts));
    draw(it);
  } catch (error) {
    if (error.name !== "AbortError") redraw(it.said, trouble(error, () => replan(it)));
  }
}

/** The rows that are wanted, in the order that is wanted; without an answer yet, what is known without one. */
function draw(it) {
  const { bench_plan: week, bench_ranking: ranking } = it.answer ?? {};
  const place = new Map(week?.machines.map((each, index) => [each.id, index]));
  const of = new Map(ranking?.machines.map((machine) => [machine.id, machine]));
  const most = Math.max(1, ...(ranking?.machines ?? []).map((each) => Math.max(each.value.high, each.value_after)));
  const all = it.entries.map((entry, index) => {
    const machine = of.get(entry.machine.id);
    const action = machine && week.machines[place.get(entry.machine.id)];
    const chosen = action?.action === "work";
    const [brings, takes] = chosen ? [action.expected_return, action.bench_hours] : [machine?.expected_return, machine?.bench_hours];
    return { id: entry.machine.id, entry, machine, action, chosen, brings, takes, plan: (chosen ? action.first_step : machine?.first_step) ?? "",
      hourly: machine ? (takes && chosen ? brings / takes : machine.return_per_hour ?? -Infinity) : 0, value: machine?.value_now ?? 0, may: Number(machine?.safety.may_be_sold ?? 0),
      order: machine ? (chosen ? place.get(entry.machine.id) : 1000 + ranking.machines.indexOf(machine)) : index };
  });
  const words = it.look.words.toLowerCase().split(/\s+/).filter(Boolean);
  const text = ({ entry: { machine } }) => [machine.id, factsOf(machine), machine.maker, machine.model, machine.note, ...(machine.faults ?? []).map((each) => it.facts.faults.get(each.split(":")[0])?.name)].join(" ").toLowerCase();
  const shown = all.filter((each) => (it.answer ? FILTERS[it.look.filter][1](each) : true) && words.every((word) => text(each).includes(word))).sort(SORTS[it.look.sort][1]);
  redraw(it.rows, shown.map((each) => row(each, most, it)));
  refill(it.fine, shown.length < all.length ? `${shown.length} of ${count(all.length, "machine", "machines")}. ` : "",
    ranking ? `All sums in ${ranking.currency}; an hour of yours counts ${money(ranking.hour_value)}. On the rule: the thick mark is the value now, the pale part its range, the bar above what the best plan adds.` : "");
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
      h("a", { href: at(each.id) }, each.id), calledOf(each), ": ", first(each, facts),
      h("span", { class: "why" }, ` ${change(each.expected_return)} for ${time(each.bench_hours)}`)))) : null,
    week.donors.length ? h("ul", { class: "plain" }, week.donors.map((donor) => h("li", {}, `One of two: ${donor.says}`))) : null,
    more || week.warnings.length > 1 ? h("details", {}, h("summary", {}, "What more would bring"), more ? h("p", { class: "fine" }, `${more}.`) : null, sentences(week.warnings.slice(1), "fine")) : null,
  ];
}

const first = (each, facts) => `first ${plain(each.first_step, facts)}${each.waits_days > 7 ? `, then ${Math.round(each.waits_days)} days of waiting` : ""}`;

function row({ id, entry, machine, action, chosen, plan, brings, takes, hourly }, most, { facts, waits }) {
  const name = h("a", { class: "row-name", href: at(id) }, tag(id), calledOf(entry.machine));
  const about = h("p", { class: "row-facts" }, factsOf(entry.machine), entry.weeks.length ? ` · listed at ${money(entry.weeks.at(-1).ask)}` : "", waits.has(id) ? " · waits for the server" : "");
  if (!machine) return h("li", { class: "row", "data-key": id }, name, about);
  return h("li", { class: chosen ? "row chosen" : "row", "data-key": id }, name, about,
    h("p", { class: "row-money" }, h("span", {}, h("small", {}, "now "), h("b", {}, money(machine.value_now))),
      plan.length ? h("span", {}, h("small", {}, "after "), h("b", {}, money(machine.value_after))) : null,
      plan.length ? h("span", {}, h("small", {}, "an hour "), h("b", {}, change(hourly))) : null),
    rowRule({ low: machine.value.low, high: machine.value.high, now: machine.value_now, after: machine.value_after, most }),
    h("p", { class: "row-plan" }, h("strong", {}, `${ACTIONS[action.action]}`), plan.length ? `: first ${plain(plan, facts)}` : "",
      plan.length ? h("span", { class: "why" }, ` ${change(brings)} for ${time(takes)}`, h("span", { class: "loses" }, `; ${Math.round(machine.chance_of_loss * 100)} times in 100 it loses money`)) : ""),
    outOfRange(machine.warnings).length ? h("p", { class: "row-range not" }, "Outside the range of the data: look at it before trusting these sums.") : null,
    h("p", { class: "row-safety" }, safetyWords(machine.safety, facts)));
}
