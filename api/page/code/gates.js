// Safety checks as part of taking in: passed, failed, or not done; those that only a reading passes say so.

import { chips } from "./choices.js";
import { h } from "./dom.js";
import { spoken } from "./words.js";

/** One line a check; `told(id, result)` hears every change. */
export function gates(facts, machine, told) {
  const checks = machine.checks ?? {};
  return h("details", {}, h("summary", {}, "Passed and failed, each with how it is tested"),
    [...facts.checks.values()].map((gate) => h("div", { class: "reading" },
      chips(spoken(gate.id), gate.by_check ? { passed: "passed", failed: "failed" } : { failed: "failed" }, checks[gate.id], (result) => told(gate.id, result),
        `${gate.test}.${gate.by_check ? "" : ` It is passed by readings only: ${gate.readings.map((each) => spoken(each).toLowerCase()).join(" and ")}.`}`))));
}
