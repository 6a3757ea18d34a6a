// Controls of a form that keeps one machine: each writes what it is told, and unknown is always a choice.

import { freshId, h } from "./dom.js";
import { numberField } from "./numbers.js";
import { spoken } from "./words.js";

/** One of a few words, or not known: chips, one tap each. */
export function chips(legend, words, value, told, help) {
  const name = freshId("chips");
  const chip = (word, label) => {
    const id = freshId("chip");
    const input = h("input", { id, type: "radio", name, value: word ?? "", checked: (value ?? null) === word, on: { change: () => told(word) } });
    return h("span", { class: "chip" }, input, h("label", { for: id }, label));
  };
  return h("fieldset", { class: "chips" }, h("legend", {}, legend), help ? h("p", { class: "fine" }, help) : null,
    h("div", {}, chip(null, "not known"), Object.entries(words).map(([word, label]) => chip(coded(word), label))));
}

const coded = (word) => ({ true: true, false: false }[word] ?? word);

/** A number, or nothing where it is not known; `told(value, text)` hears every change. */
export const figure = (label, bounds, value, told, more = {}) =>
  numberField(label, value, told, { minimum: bounds.minimum ?? bounds.exclusiveMinimum, maximum: bounds.maximum, ...more }).node;

/** Words for the values of an enumeration, spoken where no better ones are given. */
export const wordsFor = (values, own = {}) => Object.fromEntries(values.map((value) => [value, own[value] ?? spoken(value).toLowerCase()]));

/** The allowed words of a field of a JSON Schema, or undefined. */
export const enumOf = (schema) => (schema.anyOf ?? [schema]).find((each) => each.enum)?.enum;
/** Its numeric bounds, or undefined. */
export const boundsOf = (schema) => (schema.anyOf ?? [schema]).find((each) => each.type === "number");
/** Whether it takes several runs. */
export const takesRuns = (schema) => (schema.anyOf ?? []).some((each) => each.type === "array");
/** Whether it is a yes or no. */
export const isYesNo = (schema) => (schema.anyOf ?? [schema]).some((each) => each.type === "boolean");
