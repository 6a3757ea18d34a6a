// Faults by what was found: search, see what slight and serious look like, tap one.

import { button, freshId, h, refill } from "./dom.js";
import { ask } from "./http.js";
import { spoken } from "./words.js";

const SHOWN = 8;
const ASK_MS = 400;

/** Faults of the machine and a search for more; `told(list)` hears the whole list at every change. */
export function findings(facts, machine, told) {
  let chosen = [...(machine.faults ?? [])];
  const list = h("ul", { class: "found" });
  const hits = h("ul", { class: "hits" });
  const count = h("p", { class: "fine", role: "status" });
  const id = freshId("search");
  const search = h("input", { id, type: "search", autocomplete: "off", placeholder: "smoke, leak, pulls, rust …", on: { input: () => draw() } });
  const set = (faults) => {
    chosen = faults;
    told(chosen);
    draw();
  };
  const draw = () => {
    refill(list, chosen.map((each) => chosenItem(each, facts, () => set(chosen.filter((other) => other !== each)))));
    const found = matching(search.value, facts, machine, chosen);
    refill(count, search.value.trim() === "" ? "Often found, if you look:" : `${found.length} found`);
    if (search.value.trim() === "") hits.after(groups);
    else groups.remove();
    const show = (faults) => refill(hits, faults.slice(0, SHOWN).map((fault) => hit(fault, (severity) => {
      search.value = "";
      set([...chosen, `${fault.id}:${severity}`]);
      search.focus();
    })));
    show(found);
    clearTimeout(asking);
    if (!found.length) asking = setTimeout(elsewhere, ASK_MS, search.value, show);
  };
  /** Words that stand in no name may still mean something: the reader of descriptions knows synonyms. */
  const elsewhere = async (words, show) => {
    const said = await ask("/v1/read/machines", { words }, "Reading it").catch(() => null);
    if (!said || search.value !== words) return;
    const ids = [...said.machine.faults.map((each) => each.split(":")[0]), ...said.ask.map(({ about }) => about)];
    const meant = [...new Set(ids)].map((id) => facts.faults.get(id)).filter((fault) => fault && fits(fault, machine));
    refill(count, meant.length ? "May be meant:" : "0 found");
    show(meant);
  };
  let asking = null;
  const groups = byGroup(facts, machine, (id, severity) => set([...chosen.filter((each) => !each.startsWith(`${id}:`)), `${id}:${severity}`]));
  const place = h("div", {}, hits);
  draw();
  return [list, h("p", {}, h("label", { for: id }, "What did you find?"), search), count, place];
}

/** All of them, behind the names of their groups. */
function byGroup(facts, machine, pick) {
  const groups = new Map();
  for (const fault of facts.faults.values()) if (fits(fault, machine)) groups.set(fault.group, [...(groups.get(fault.group) ?? []), fault]);
  return h("details", {}, h("summary", {}, "All faults, by group"), [...groups].map(([group, faults]) => h("details", {}, h("summary", {}, `${spoken(group)} (${faults.length})`),
    h("ul", { class: "hits" }, faults.map((fault) => hit(fault, (severity) => pick(fault.id, severity)))))));
}

function chosenItem(each, facts, remove) {
  const [id, severity] = each.split(":");
  const fault = facts.faults.get(id);
  return h("li", {}, h("span", {}, h("b", {}, fault?.name ?? id), ` ${severity}`, h("small", {}, fault?.[severity] ?? "")),
    button("Not there", remove, { class: "quiet", "aria-label": `${fault?.name ?? id} is not there` }));
}

/** Faults whose name, look or test holds every word; without words those most often found. */
function matching(typed, facts, machine, chosen) {
  const taken = new Set(chosen.map((each) => each.split(":")[0]));
  const possible = [...facts.faults.values()].filter((fault) => !taken.has(fault.id) && fits(fault, machine));
  const words = typed.toLowerCase().split(/\s+/).filter(Boolean);
  if (!words.length) return possible.sort((a, b) => b.intake[0] + b.intake[1] - a.intake[0] - a.intake[1]).slice(0, 5);
  const rank = (fault) => {
    const name = fault.name.toLowerCase();
    const all = `${name} ${fault.slight ?? ""} ${fault.serious} ${fault.test} ${fault.group}`.toLowerCase();
    if (!words.every((word) => all.includes(word))) return 0;
    return words.every((word) => name.includes(word)) ? 2 : 1;
  };
  return possible.map((fault) => [rank(fault), fault]).filter(([place]) => place > 0).sort(([a], [b]) => b - a).map(([, fault]) => fault);
}

const fits = (fault, machine) => !(
  (fault.needs === "drive" && machine.drive === "push") || (fault.needs === "electric_start" && machine.start === "rope")
  || (fault.needs === "blade_clutch" && machine.blade_clutch === false));

function hit(fault, pick) {
  const choose = (severity, look) => button([h("b", {}, severity), ` ${look}`], () => pick(severity), { class: "quiet look-of", "aria-label": `${fault.name}, ${severity}: ${look}` });
  return h("li", {}, h("h3", {}, fault.name), fault.slight ? choose("slight", fault.slight) : null, choose("serious", fault.serious),
    h("p", { class: "fine" }, `How: ${fault.test}`));
}
