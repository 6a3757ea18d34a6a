// A machine in one's own words: what was understood goes into the fields below, what was not is said.

import { button, freshId, h, refill } from "./dom.js";
import { ask, Refused } from "./http.js";
import { trouble } from "./trouble.js";

const PATH = "/v1/read/words";

/** A field for words on top of the form; `redo(machine)` lays the form out anew with what was understood. */
export function telling(typed, facts, redo, save) {
  const id = freshId("telling");
  const told = h("div", { role: "status" });
  const field = h("textarea", { id, rows: 2, maxlength: 1000, placeholder: "rear drive, 21 in, 6 years, rings while running, damp under the carburettor", value: typed.told ?? "",
    on: { input: () => { typed.told = field.value; save(); } } });
  const read = async () => {
    if (!field.value.trim()) return field.focus();
    try {
      const said = await ask(PATH, { words: field.value }, "Reading it");
      typed.understood = said;
      save();
      return redo({ ...typed.machine, ...said.machine });
    } catch (error) {
      if (error instanceof Refused && error.status === 404) return refill(told, h("p", { class: "fine" }, "This server reads no words yet; fill in the fields below."));
      return refill(told, trouble(error));
    }
  };
  if (typed.understood) refill(told, wordsOf(typed.understood));
  return h("section", { class: "part telling", "aria-label": "In your own words" }, h("p", {}, h("label", { for: id }, "Tell it in your own words"), field), button("Fill in the fields from it", read, { class: "second" }), told);
}

const list = (title, lines) => (lines?.length ? [h("b", {}, title), h("ul", { class: "plain" }, lines.map((line) => h("li", {}, typeof line === "string" ? line : Object.values(line).flat().join(": "))))] : null);

const wordsOf = (said) => [list("Understood:", said.understood), list("Not understood:", said.not_understood), list("To be asked:", said.ask ?? said.questions)];
