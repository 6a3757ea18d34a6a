// Before it is bought: the most to pay, unknown faults counted at their share among machines like it.

import { button, freshId, h, refill } from "./dom.js";
import { ask } from "./http.js";
import { unlimited } from "./terms.js";
import { trouble } from "./trouble.js";
import { change, money, time } from "./words.js";

/** A seller's ask, the miles, the wanted return; the answer on demand, for it takes a moment. */
export function buying(it, changed) {
  const typed = it.typed.buying ??= {};
  const answer = h("div", { role: "status" });
  const field = (name, label, usual) => {
    const id = freshId(name);
    return h("p", {}, h("label", { for: id }, label), h("input", { id, type: "number", inputmode: "decimal", min: 0, step: "any", placeholder: usual, value: typed[name] ?? "",
      on: { input: (event) => { typed[name] = event.target.value === "" ? undefined : Number(event.target.value); changed(); } } }));
  };
  return h("details", {}, h("summary", {}, "The most to pay for it"),
    h("div", { class: "fields" }, field("asked", "The seller asks", ""), field("miles", "Miles there and back", ""), field("wanted", "Wanted an hour", "0")),
    button("What is the most to pay?", () => limit(it, typed, answer), { class: "quiet" }), answer);
}

async function limit({ typed, signal }, { asked, miles, wanted }, answer) {
  const terms = { ...unlimited(), ...(miles === undefined ? {} : { trip_miles: miles }) };
  const question = { machines: [typed.machine], terms, ...(asked === undefined ? {} : { asked }), ...(wanted === undefined ? {} : { want_per_hour: wanted }) };
  refill(answer, h("p", { class: "waiting" }, "Thinking of all it may have …"));
  try {
    const { purchase_limits: [said] } = await ask("/v1/purchase-limits", question, "Thinking of all it may have", signal);
    refill(answer, h("p", { class: "lead" }, "At most ", h("strong", {}, money(said.most_to_pay)), `. ${said.reason}`),
      h("p", { class: "fine" }, `The sale after the best plan should bring ${money(said.proceeds)}; ${time(said.hours)} of your own from the trip to the hand-over. For nothing it would return ${change(said.return_if_free)}; between ${money(said.low)} and ${money(said.high)} as the unknown turns out.`));
  } catch (error) {
    if (error.name !== "AbortError") refill(answer, trouble(error));
  }
}
