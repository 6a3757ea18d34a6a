// A machine in one's own words: what was understood goes into the fields below, what was not is said.

import { button, freshId, h, refill } from "./dom.js";
import { ask } from "./http.js";
import { merged } from "./merge.js";
import { bare } from "./plain.js";
import { trouble } from "./trouble.js";

const PATH = "/v1/read/machines";

/** A field for words on top of the form; `redo(machine)` lays the form out anew with what was understood. */
export function telling(typed, facts, redo, save) {
  const id = freshId("telling");
  const told = h("div", { role: "status" });
  const field = h("textarea", { id, rows: 2, maxlength: 1000, placeholder: "rear drive, 21 in, 6 years, rings while running, damp under the carburettor", value: typed.told ?? "",
    on: { input: () => { typed.told = field.value; save(); } } });
  const read = async () => {
    if (!field.value.trim()) return field.focus();
    try {
      const { machine, ...said } = await ask(PATH, { words: field.value }, "Reading it");
      typed.understood = said;
      save();
      return redo(merged({}, bare(machine), typed.machine).machine);
    } catch (error) {
      return refill(told, trouble(error));
    }
  };
  if (typed.understood) refill(told, wordsOf(typed.understood));
  return h("section", { class: "part telling", "aria-label": "In your own words" }, h("p", {}, h("label", { for: id }, "Tell it in your own words"), field), button("Fill in the fields from it", read, { class: "second" }), told);
}

const list = (title, lines) => (lines?.length ? [h("b", {}, title), h("ul", { class: "plain" }, lines.map((line) => h("li", {}, line)))] : null);

/** What was made of the words: what is in the fields now, what is asked before it counts, what nothing was made of. */
const wordsOf = (said) => [list("In the fields below:", said.understood), list("Said not to be there:", said.not_there),
  list("To be asked; none of it counts yet:", said.ask?.map(({ question, choices }) => `${question}${choices.length ? ` (${choices.join(", ")})` : ""}`)), list("Nothing was made of:", said.not_understood)];
