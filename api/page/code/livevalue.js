// The strip at the foot of the form: what the machine is worth as it is typed.

import { h, refill } from "./dom.js";
import { ask, Refused } from "./http.js";
import { latest } from "./latest.js";
import { unlimited } from "./terms.js";
import { money, outOfRange } from "./words.js";

/** A strip, and a function that values a machine anew; the last one asked about wins. */
export function liveValue(facts, form, signal) {
  const strip = h("div", { class: "strip-value", role: "status" }, h("p", {}, "Worth: say something about it."));
  const value = latest(async (machine) => {
    try {
      const { valuations: [said] } = await ask("/v1/valuations", { machines: [machine], terms: unlimited() }, "Valuing it", signal);
      clearWrong(form);
      refill(strip, words(said, facts));
    } catch (error) {
      if (error.name === "AbortError") return;
      if (error instanceof Refused && markWrong(form, error.fields, true)) refill(strip, h("p", {}, "Worth: something is not as expected; see above."));
      else if (error instanceof Refused) refill(strip, h("p", {}, `Worth: ${error.message}`));
      else refill(strip, h("p", {}, "Worth: not known while the server is away; what you type is kept."));
    }
  });
  return { strip, value };
}

function words({ value, safety, warnings, fault_costs: costs }, facts) {
  const worst = costs[0];
  return [
    h("p", {}, "About ", h("b", { class: "amount" }, money(value.amount)), ` ${value.currency}, ${money(value.low)} to ${money(value.high)}`),
    h("p", { class: "fine" }, outOfRange(warnings).length ? h("strong", { class: "not" }, "Outside the range of the data: a guess. ") : "",
      worst ? `${facts.faults.get(worst.fault)?.name} takes off most: ${money(worst.share)}. ` : "",
      safety.may_be_sold ? "" : `Not as working yet: ${[safety.must_cure.length && `${safety.must_cure.length} to cure`, safety.unchecked.length && `${safety.unchecked.length} to check`].filter(Boolean).join(", ")}.`),
  ];
}

/** Say beside each field what is wrong with it; the one being typed in is left in peace unless all are wanted. */
export function markWrong(form, fields, typing = false) {
  clearWrong(form);
  let marked = 0;
  for (const { pointer, detail } of fields) {
    const name = pointer.split("/").findLast((part) => form.querySelector(`[data-field="${CSS.escape(part)}"]`));
    const input = name && form.querySelector(`[data-field="${CSS.escape(name)}"]`);
    if (!input) continue;
    marked += 1;
    if (typing && input === document.activeElement) continue;
    input.setAttribute("aria-invalid", "true");
    const place = document.getElementById(`${input.id}-wrong`);
    if (place) place.textContent = detail;
  }
  return marked;
}

function clearWrong(form) {
  for (const input of form.querySelectorAll("[aria-invalid]:not([data-unread])")) {
    input.removeAttribute("aria-invalid");
    const place = document.getElementById(`${input.id}-wrong`);
    if (place) place.textContent = "";
  }
}
