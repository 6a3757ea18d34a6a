// Terms of the shop that every question carries: currency, price level, month, the hour's worth.

import { freshId, h } from "./dom.js";
import { month } from "./words.js";

/** A few fields; each change is kept on this device and counts from the next question on. */
export function shopTerms(now, changed) {
  const field = (label, make) => {
    const id = freshId("term");
    return h("p", {}, h("label", { for: id }, label), make(id));
  };
  const number = (name, low, high) => (id) => h("input", { id, type: "number", inputmode: "decimal", min: low, max: high, step: "any", value: now[name],
    on: { change: ({ target }) => { if (target.value !== "" && target.validity.valid) changed({ [name]: Number(target.value) }); } } });
  const currency = (id) => h("input", { id, type: "text", maxlength: 3, pattern: "[A-Z]{3}", value: now.currency, autocapitalize: "characters",
    on: { change: ({ target }) => { target.value = target.value.toUpperCase(); if (target.validity.valid && target.value) changed({ currency: target.value }); } } });
  const season = (id) => {
    const select = h("select", { id, on: { change: () => changed({ month: select.value ? Number(select.value) : null }) } },
      h("option", { value: "" }, "this month"), Array.from({ length: 12 }, (_, place) => h("option", { value: place + 1 }, month(place + 1))));
    select.value = now.month ?? "";
    return select;
  };
  return [h("div", { class: "fields" }, field("An hour of mine is worth", number("hour_value", 0, 1000)), field("Currency (three letters)", currency),
    field("Own money per synthetic dollar", number("price_level", 0.001, 10000)), field("Month of the sale", season)),
  h("p", { class: "fine" }, "Kept on this device and sent with every question.")];
}
