// What the model knows: what it rests on, how far own sales moved it, whether its advice held, its card.

import { h, refill, sentences } from "./dom.js";
import { read } from "./http.js";
import { rendered } from "./markdown.js";
import { movedBar, salesPicture } from "./pictures.js";
import { catalogue } from "./facts.js";
import { terms } from "./terms.js";
import { fill } from "./trouble.js";
import { count, percent, signed, spoken } from "./words.js";
import { plain } from "./worth.js";

/** Put what is known about the model on the page. */
export function show(main, _id, signal, { again } = {}) {
  if (again && main.querySelector(".card")) return;
  const part = (title, words, make) => {
    const place = h("div", {});
    fill(place, words, make, signal);
    return h("section", { class: "part", "aria-label": title }, h("h2", {}, title), place);
  };
  refill(main, h("h1", {}, "What the model knows"), h("div", { class: "machine" },
    h("div", { class: "side" },
      part("What the values rest on", "Asking", async () => basis(await read("/health", "Asking", signal))),
      part("Did the advice hold?", "Holding sales against predictions", async () => held(await read("/v1/accuracy", "Holding sales against predictions", signal))),
      part("What own sales changed", "Learning from own sales", async () => moved(...await Promise.all([read(`/v1/correction?price_level=${terms().price_level}`, "Learning from own sales", signal), catalogue()])))),
    h("div", { class: "side" }, part("The card", "Reading the card", async () => card(await read("/v1/model-card", "Reading the card", signal))))));
}

function basis({ version, basis: it }) {
  return [h("p", { class: "lead" }, it.synthetic ? h("strong", {}, "Trained on invented (synthetic) sales. ") : "Trained on sales of your own choice. ",
    it.synthetic ? "The shape of the answers is meant to be right; their level is not known until own sales are held against it." : ""),
  h("p", { class: "fine" }, `valuer ${version}; ${it.model}; data ${it.data_sha256.slice(0, 12)}; corrected by ${count(it.own_sales, "own sale", "own sales")}.`)];
}

function moved(report, facts) {
  const terms = report.terms.filter((term) => Math.abs(term.moved_percent) >= 0.5).slice(0, 10);
  const most = Math.max(20, ...terms.map((term) => Math.abs(term.moved_percent) + term.unsure_percent));
  return [
    h("p", { class: "lead", id: "correction" }, report.statement),
    terms.length ? [h("ul", { class: "moves" }, terms.map((term) => h("li", {}, h("span", {}, plain(term.name, facts).replaceAll("_", " ")), h("b", {}, signed(term.moved_percent)),
      movedBar(term.moved_percent, term.unsure_percent, most), h("small", {}, plain(term.why, facts))))),
    h("p", { class: "fine" }, `Bars: how far each part moved; the pale part is how unsure that is. Ranges of machines like those sold are ${report.interval_factor} times as wide as on the first day.`)] : null,
    report.odd_sales.length ? sentences(report.odd_sales.map((sale) => `${sale.id} is hardly believable beside the others (${sale.times} times what they say), so it counts ${percent(sale.weight)}.`)) : null,
    report.fixes.length ? [h("h3", {}, "Own tries"), sentences(report.fixes.map((fix) =>
      `${facts.fixes.get(fix.fix)?.name ?? fix.fix}: ${fix.cured} cured, ${fix.failed} not; odds ${percent(fix.odds_before)} before, ${percent(fix.odds_after)} now.`))] : null,
  ];
}

function held(report) {
  const said = report.figures.filter((figure) => figure.value !== null);
  const lacking = report.figures.filter((figure) => figure.value === null);
  return [
    report.sales.length ? [salesPicture(report.sales), h("p", { class: "fine" }, "Each dot is a sale: what was expected that day, with its range, above the price paid. On the broken line both are the same.")] : h("p", {}, "No sale yet to hold the values against."),
    sentences(said.map((figure) => `${spoken(figure.name)}: ${figure.said}${figure.goal === "none" ? "" : ` (goal: ${figure.goal})`}. ${figure.means}`)),
    lacking.length ? h("details", {}, h("summary", {}, `${lacking.length} figures that need more sales or tries`), sentences(lacking.map((figure) => figure.said))) : null,
  ];
}

/** What to read first stands open; the rest is behind it. */
function card({ markdown, pictures }) {
  const [title, first, ...rest] = rendered(markdown, 3, pictures);
  return h("div", { class: "card" }, title, first, h("details", {}, h("summary", {}, "The whole card"), rest));
}
