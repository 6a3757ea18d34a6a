// The best plan, and every possible fix with its verdict and the reason.

import { button, h } from "./dom.js";
import { cautioner } from "./cautions.js";
import { cautionsOf } from "./facts.js";
import { openWork } from "./dockets.js";
import { change, listed, money, percent, time } from "./words.js";
import { plain } from "./worth.js";

const SOLD_AS = { working: "as working", "for repair": "for repair", "for parts": "for parts", scrap: "as scrap" };

/** The part about fixes. */
export async function fixesPart(it) {
  const plan = await it.plan();
  if (!plan.fixes.length) return h("p", {}, "No fault, so nothing to fix.");
  const warn = cautioner();
  const chosen = new Set(plan.best.fixes);
  const leading = plan.fixes.filter((fix) => chosen.has(fix.fix) || fix.verdict !== "not worth doing");
  const rest = plan.fixes.filter((fix) => !leading.includes(fix));
  return [
    best(plan, it),
    h("ul", { class: "fixes" }, leading.map((fix) => one(fix, it, warn))),
    rest.length ? h("details", {}, h("summary", {}, `${rest.length} that do not pay, or not at first`),
      h("ul", { class: "fixes" }, rest.map((fix) => one(fix, it, warn)))) : null,
  ];
}

/** What to do, and if that fails what next. */
function best(plan, { facts }) {
  const { best: it } = plan;
  const name = (id) => facts.fixes.get(id)?.name ?? id;
  if (!it.fixes.length) return h("p", { class: "lead" }, `Nothing pays for its parts and hours. Sell it ${SOLD_AS[it.sold_as]} and tell the buyer what is left.`);
  return [
    h("p", { class: "lead" }, h("strong", {}, change(it.expected_return)), ` expected, own hours paid: ${time(it.bench_hours)} and ${money(it.cash)} in parts bring it to about ${money(it.value_after)}, sold ${SOLD_AS[it.sold_as]}.`),
    h("ol", { class: "order" }, it.steps.map((step) => h("li", {}, name(step.fix),
      h("span", { class: "why" }, ` ${money(step.parts)} · ${time(step.bench_hours)}`),
      step.if_it_fails.length ? h("small", {}, `if it fails: ${step.if_it_fails.map(name).join(", then ")}`) : h("small", {}, "if it fails: stop, and tell the buyer")))),
    h("p", { class: "fine" }, `At worst ${time(it.worst_hours)} and ${money(it.worst_cash)}; ${Math.round(it.chance_of_loss * 100)} times in 100 it brings less than selling as it stands. `,
      it.left_and_disclosed.length ? `Left in and told: ${listed(it.left_and_disclosed.map((id) => facts.faults.get(id)?.name.toLowerCase() ?? id))}.` : ""),
  ];
}

function one(fix, it, warn) {
  const { facts } = it;
  const known = facts.fixes.get(fix.fix);
  const kind = { "worth doing": "yes", "must be done": "must", "not worth doing": "no" }[fix.verdict];
  return h("li", { class: `fix ${kind}`, "data-key": `${fix.fix} ${fix.fault}` },
    h("h3", {}, fix.name),
    h("p", { class: "verdict" }, h("strong", {}, `${{ yes: "✓", must: "!", no: "–" }[kind]} ${fix.verdict}`), ` ${change(fix.expected_return)}`, h("small", {}, ` for ${facts.faults.get(fix.fault)?.name.toLowerCase() ?? fix.fault}`)),
    h("p", {}, plain(fix.reason, facts)),
    fix.break_even ? h("p", { class: "odds" }, plain(fix.break_even, facts)) : null,
    h("p", { class: "fine" }, `Brings ${money(fix.gain)} if it holds; holds ${percent(fix.odds)} of the time (${percent(fix.odds_low)} to ${percent(fix.odds_high)}); parts ${money(fix.parts)}, ${time(fix.bench_hours)}.`,
      known?.proof ? ` Cured when: ${known.proof}.` : ""),
    warn(cautionsOf(facts, known?.cautions ?? [])),
    button("Tried it", () => openWork(it, fix), { class: "quiet", "aria-label": `Tried it: ${fix.name}` }));
}
