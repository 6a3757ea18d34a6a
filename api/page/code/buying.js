// Before it is bought: the most to pay, unknown faults counted at their share among machines like it.

import { button, h, refill } from "./dom.js";
import { ask } from "./http.js";
import { numberField, unread } from "./numbers.js";
import { unlimited } from "./terms.js";
import { trouble } from "./trouble.js";
import { change, money, time } from "./words.js";

/** A seller's ask, the miles, the wanted return; the answer on demand, for it takes a moment. */
export function buying(it, changed) {
  const typed = it.typed.buying ??= {};
  const answer = h("div", { role: "status" });
  const field = (name, label, more) => numberField(label, typed[name] ?? null, (value) => { typed[name] = value ?? undefined; changed(); }, { minimum: 0, maximum: 1e6, ...more }).node;
  return h("details", {}, h("summary", {}, "The most to pay for it"),
    h("div", { class: "fields" }, field("asked", "The seller asks", { money: true }), field("miles", "Way there and back", { unit: "miles", maximum: 5000 }), field("wanted", "Wanted an hour", { money: true })),
    button("What is the most to pay?", (event) => (unread(event.target.closest("details")) ? null : limit(it, typed, answer)), { class: "quiet" }), answer);
}

async function limit({ typed, signal }, { asked, miles, wanted }, answer) {
  const terms = { ...unlimited(), ...(miles === undefined ? {} : { trip_miles: miles }) };
  const question = { machines: [typed.machine], terms, ...(asked === undefined ? {} : { asked }), ...(wanted === undefined ? {} : { want_per_hour: wanted }) };
  refill(answer, h("p", { class: "waiting" }, "Thinking of all it may have …"));
  try {
    const { purchase_limits: [said] } = await ask("/v1/purchase-limits", question, "Thinking of all it may have", signal);
    refill(answer, h("p", { class: "lead" }, "At most ", h("strong", {}, money(said.most_to_pay)), `. ${said.reason}`),
      h("p", { class: "fine" }, `The sale after the work list should bring ${money(said.proceeds)}; ${time(said.hours)} of your own from the trip to the hand-over. For nothing it would return ${change(said.return_if_free)}; between ${money(said.low)} and ${money(said.high)} as the unknown turns out.`));
  } catch (error) {
    if (error.name !== "AbortError") refill(answer, trouble(error));
  }
}
