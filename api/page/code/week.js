// The two controls of the week, and what an hour is worth.

import { freshId, h } from "./dom.js";
import { numberField } from "./numbers.js";
import { money } from "./words.js";

const HOURS = { most: 20, step: 0.5, says: (value) => `${value} h` };
const CASH = { most: 400, step: 10, says: money };

/** Hours, cash and the hour's worth as controls; `changed` is told the terms as they move. */
export function benchTerms(now, changed) {
  return h("div", { class: "controls" },
    slide("Hours free", HOURS, now.hours, (hours) => changed({ hours })),
    slide("Cash for parts", CASH, now.cash, (cash) => changed({ cash })),
    worth(now.hour_value, (hour_value) => changed({ hour_value })));
}

/** A slider whose far end means no limit. */
function slide(words, { most, step, says }, now, moved) {
  const id = freshId("slide");
  const told = (value) => (value >= most ? "no limit" : says(value));
  const start = now === null ? most : Math.min(now, most);
  const shown = h("output", { for: id }, told(start));
  const input = h("input", {
    id, type: "range", min: 0, max: most, step, value: start, "aria-valuetext": told(start),
    on: {
      input: () => {
        const value = Number(input.value);
        shown.value = told(value);
        input.setAttribute("aria-valuetext", told(value));
        moved(value >= most ? null : value);
      },
    },
  });
  input.value = start;
  return h("div", { class: "slide" }, h("label", { for: id }, words), shown, input);
}

const worth = (now, changed) => h("div", { class: "worth" },
  numberField("An hour of mine is worth", now, (value) => { if (value !== null) changed(value); }, { money: true, minimum: 0, maximum: 1e6 }).node);
