// The tag on the handle: a machine's own name, and the facts beside it.

import { h } from "./dom.js";
import { spoken } from "./words.js";

const DRIVES = {
  push: "push", front_one_speed: "front drive, one speed", front_variable: "front drive, variable",
  rear_variable: "rear drive, variable", all_wheel: "all-wheel drive", hydrostatic: "hydrostatic drive",
};

/** The name of a machine as it hangs on the handle. */
export const tag = (id, inner = id) => h("span", { class: "tag" }, inner);

/** What its owner calls it, beside the tag; nothing where the id says it all. */
export const calledOf = (machine) => (machine.called ? h("span", { class: "called" }, ` ${machine.called}`) : null);

/** What is known of a machine in one line; what is not known is not guessed. */
export function facts(machine) {
  const known = [
    DRIVES[machine.drive],
    machine.deck_width_in && `${machine.deck_width_in} in`,
    machine.engine_class && spoken(machine.engine_class).replace("ohv", "OHV"),
    machine.start && `${machine.start} start`,
    machine.tier && `${machine.tier} class`,
    machine.age_years !== undefined && machine.age_years !== null && `${machine.age_years} ${machine.age_years === 1 ? "year" : "years"}`,
    machine.looks && `looks ${machine.looks}`,
  ].filter(Boolean);
  return known.length ? known.join(" · ") : "nothing known of it yet";
}

/** Whether it may be sold as working, in a few words with a mark that needs no colour. */
export function safetyWords(safety, facts) {
  if (safety.may_be_sold) return h("span", { class: "may" }, "● may be sold as working");
  if (safety.must_cure.includes("recall_open")) return h("span", { class: "not" }, "⊘ open recall: not for sale in any form");
  const parts = [];
  if (safety.must_cure.length) parts.push(`cure ${safety.must_cure.map((id) => facts.faults.get(id)?.name.toLowerCase() ?? id).join(", ")}`);
  if (safety.unchecked.length) parts.push(`${safety.unchecked.length} ${safety.unchecked.length === 1 ? "check" : "checks"} open`);
  return h("span", { class: "not" }, `⊘ not as working yet: ${parts.join("; ")}`);
}
