// Own terms: what every question carries, whose law holds, how the page speaks and looks. Kept with the records.

import { button, freshId, h, refill } from "./dom.js";
import { read } from "./http.js";
import { numberField } from "./numbers.js";
import { own, setOwn, setTerms, terms } from "./terms.js";
import { month } from "./words.js";

const NUMBERS = {
  hour_value: ["An hour of mine is worth", { money: true, minimum: 0, maximum: 1e6 }],
  price_level: ["Price level: own money for each dollar of the invented market", { minimum: 0.001, maximum: 10000 }],
  trip_miles: ["Way to fetch a machine, there and back", { unit: "miles", minimum: 0, maximum: 5000 }],
  mile_cost: ["A mile costs", { money: true, minimum: 0, maximum: 1000 }],
  fee_fixed: ["Fee a sale", { money: true, minimum: 0, maximum: 1e6 }],
  storage_per_week: ["A machine standing a week costs", { money: true, minimum: 0, maximum: 1e6 }],
  blade_stop_limit_s: ["Seconds within which the law wants the blade to stop", { unit: "s", minimum: 0.5, maximum: 10 }],
};

/** The fields; each change is kept at once and counts from the next question on, on every device. */
export function shopTerms() {
  const now = terms();
  const told = h("p", { class: "wrong", role: "alert" });
  window.addEventListener("own-refused", ({ detail }) => refill(told, `Not kept: ${detail}`));
  const number = ([name, [label, more]]) => numberField(label, now[name] ?? null, (value) => setTerms({ [name]: value }), { field: name, ...more }).node;
  const text = (label, value, pattern, set) => {
    const id = freshId("term");
    const input = h("input", { id, type: "text", maxlength: 3, pattern, value: value ?? "", autocapitalize: "characters", autocomplete: "off",
      on: { change: () => { input.value = input.value.trim().toUpperCase(); if (input.validity.valid) set(input.value || null); } } });
    return h("p", {}, h("label", { for: id }, label), input);
  };
  const choice = (label, options, value, set) => {
    const id = freshId("term");
    const select = h("select", { id, on: { change: () => set(select.value) } }, options.map(([key, words]) => h("option", { value: key }, words)));
    select.value = value ?? "";
    return h("p", {}, h("label", { for: id }, label), select);
  };
  const months = [["", "this month"], ...Array.from({ length: 12 }, (_, place) => [String(place + 1), month(place + 1)])];
  return [h("div", { class: "fields" }, Object.entries(NUMBERS).slice(0, 2).map(number), text("Currency (three letters)", now.currency, "[A-Z]{3}", (currency) => setTerms({ currency: currency ?? "USD" }))),
    levelHint(),
    h("div", { class: "fields" }, Object.entries(NUMBERS).slice(2).map(number)),
    h("div", { class: "fields" }, choice("Month of the sale", months, String(now.month ?? ""), (value) => setTerms({ month: value ? Number(value) : null })),
      choice("Seasons", [["north", "of the north"], ["south", "of the south"]], now.hemisphere ?? "north", (hemisphere) => setTerms({ hemisphere })),
      text("Country whose law holds (two letters)", own().country, "[A-Z]{2}", (country) => setOwn({ country })),
      choice("The page speaks", [["british", "British English"], ["american", "American English"]], own().words, (words) => { setOwn({ words }); location.reload(); }),
      choice("The page looks", [["device", "as the device does"], ["light", "light"], ["dark", "dark"]], own().theme, (theme) => setOwn({ theme }))),
    lawHint(), told, h("p", { class: "fine" }, "Kept with the records: the same on every device. What is left empty is usual.")];
}

/** Where another law holds, the seconds that the blade may take are not ours to know. */
function lawHint() {
  const { country } = own();
  if (!country || country === "US" || terms().blade_stop_limit_s !== undefined) return null;
  return h("p", { class: "wrong", id: "law-hint" }, `Checks still go by the 3.0 s of the United States. Write the seconds that the law of ${country} allows into the field above.`);
}

/** What own sales say, beside the level they say it about, and the level they ask for. */
function levelHint() {
  const place = h("div", { class: "fine" });
  const take = (level) => { setTerms({ price_level: level }); location.reload(); };
  read(`/v1/correction?price_level=${terms().price_level}`, "Looking at own sales").then((report) => refill(place, h("p", {}, report.statement),
    report.price_level === null ? null : button(`Make ${report.price_level} the price level`, () => take(report.price_level), { class: "second" })), () => {});
  return place;
}
