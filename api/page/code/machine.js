// One machine on one screen: what counts on top, below it eight questions that each open in place.

import { catalogue } from "./facts.js";
import { dockets } from "./dockets.js";
import { button, h, holdStill, redraw, refill } from "./dom.js";
import { ask } from "./http.js";
import { LINES } from "./lines.js";
import { nextStep } from "./work.js";
import { thumbnails } from "./camera.js";
import { at, bare } from "./plain.js";
import { entry } from "./records.js";
import { calledOf, facts as factsOf, safetyWords, tag } from "./tag.js";
import { unlimited, weeksToSell } from "./terms.js";
import { fill, trouble } from "./trouble.js";
import { money, month, time } from "./words.js";

const WIDE = window.matchMedia("(min-width: 1000px)");
let stands = null;

/** Put one machine on the page; where it stands already, draw only what has changed. */
export async function show(main, id, signal, { line, again }) {
  const old = again && stands?.id === id && stands.place.isConnected ? stands : null;
  try {
    const [record, facts] = await Promise.all([entry(id, signal), catalogue()]);
    if (signal.aborted) return;
    const it = old?.it ?? context();
    it.renew(record, facts, signal);
    stands = old ?? made(main, id, it);
    await stands.draw(line, Boolean(old));
  } catch (error) {
    if (signal.aborted) return;
    if (old) return; // the bar above says that the server is away
    stands = null;
    refill(main, h("h1", {}, id), trouble(error, () => show(main, id, signal, { line })), h("p", {}, h("a", { href: "#/bench" }, "To the bench")));
  }
}

/** Open a line of the machine that stands, or close them all. */
export const open = (line) => stands?.open(line);

/** What every part needs: the record, the catalogue, and each question asked once until something changes. */
function context() {
  const asked = new Map();
  const it = {
    renew(record, facts, signal) {
      asked.clear();
      Object.assign(it, { record, facts, signal, machine: bare(record.entry.machine) });
    },
    question(path, words, more = {}) {
      const key = path + JSON.stringify(more);
      if (!asked.has(key)) {
        const answer = ask(path, { machines: [it.machine], terms: unlimited(), ...more }, words, it.signal);
        asked.set(key, answer);
        answer.catch(() => asked.delete(key));
      }
      return asked.get(key);
    },
    valuation: async () => (await it.question("/v1/valuations", "Valuing it")).valuations[0],
    plan: async () => (await it.question("/v1/work-lists", "Weighing the work")).work_lists[0],
    asking: async (weeks = weeksToSell()) => (await it.question("/v1/asking-prices", "Working out the asking price", { weeks })).asking_prices[0],
  };
  return it;
}

function made(main, id, it) {
  const head = h("div", { class: "machine-head" });
  const glance = h("div", { class: "glance" });
  const lines = LINES.map((line) => placesOf(line, id));
  const deeds = h("div", { class: "deeds" });
  const place = h("div", { class: "one" }, head, glance, lines.map(({ node }) => node));
  let now = null;
  const open = (line) => {
    const still = holdStill();
    now = line;
    const chosen = line ?? (WIDE.matches ? "work" : null);
    const shown = [];
    for (const each of lines) {
      const on = each.name === chosen;
      each.link.setAttribute("aria-expanded", on);
      each.link.href = at(it.machine.id, on && !WIDE.matches ? null : each.name);
      each.body.hidden = !on;
      if (on) shown.push(fill(each.body, each.waits, () => each.make(it), it.signal));
      else if (!each.keeps) each.body.replaceChildren();
    }
    still();
    return Promise.all(shown);
  };
  WIDE.addEventListener("change", () => { if (place.isConnected) open(now); });
  const draw = async (line, again) => {
    const sold = Boolean(it.record.entry.sale);
    redraw(head, headOf(it));
    redraw(deeds, dockets(it));
    const parts = sold ? [] : lines.map((each) => fill(each.answer, "…", () => each.words(it), it.signal));
    for (const each of lines) each.node.hidden = sold && !each.past;
    glance.hidden = sold;
    const looked = sold ? null : fill(glance, "Valuing it", () => glanceOf(it), it.signal);
    if (!again) refill(main, place, deeds);
    main.style.minHeight = again ? `${main.scrollHeight}px` : ""; // so that nothing slides when something goes
    const opened = open(again ? now : sold ? line ?? "past" : line);
    await (again ? Promise.all([looked, opened, ...parts]) : Promise.resolve());
  };
  return { id, it, place, draw, open };
}

function placesOf(line, id) {
  const answer = h("span", { class: "line-answer" });
  const body = h("div", { class: "line-body", id: `line-${line.name}`, hidden: true, role: "region", "aria-label": line.title });
  const link = h("a", { class: "line-name", href: at(id, line.name), "aria-expanded": "false", "aria-controls": body.id, "data-line": line.name },
  h("span", { class: "line-title" }, line.title), answer);
  return { ...line, answer, body, link, node: h("section", { class: `line ${line.name}` }, h("h2", {}, link), body) };
}

function headOf({ record, machine, facts: _facts }) {
  return [h("h1", {}, tag(machine.id), calledOf(machine)),
    record.entry.sale ? null : h("p", { class: "again" }, h("a", { href: `#/measure/${encodeURIComponent(machine.id)}` }, "Measure it again")),
    h("p", { class: "row-facts" }, factsOf(machine)),
    record.waits ? h("p", { class: "waits" }, "Shown with what waits on this device for the server.") : null,
    machine.note ? h("p", { class: "note" }, machine.note) : null,
    thumbnails(record)];
}

/** What counts, in the order in which one wants to know it. */
async function glanceOf(it) {
  const [{ value, safety }, step, price] = await Promise.all([it.valuation(), nextStep(it), it.asking().catch(() => null)]);
  return [
    h("p", { class: "lead worth-now" }, h("strong", {}, money(value.amount)), ` ${value.currency}, ${money(value.low)} to ${money(value.high)}`,
      price && !price.refusal && !price.first ? h("span", { class: "ask-now" }, price.keeping?.verdict === "keep" ? `in ${month(price.keeping.month)} ask ` : "ask ", h("strong", {}, money(price.ask))) : null),
    h("div", { class: "next-step" }, h("p", {}, h("b", {}, "Next: "), step.words, step.hours ? h("small", {}, ` ${time(step.hours)}`) : null),
      step.act ? button(step.act.words, step.act.run, { class: "second" }) : null),
    h("p", { class: "may-it" }, safetyWords(safety, it.facts)),
  ];
}
