// The rest about one machine: pictures, another name, a second one like it, an owner's quote.

import { cameraPart } from "./camera.js";
import { button, freshId, h, refill } from "./dom.js";
import { keep, ownKey } from "./keep.js";
import { ownerPart } from "./owner.js";
import { at } from "./plain.js";
import { rename } from "./records.js";
import { wrote } from "./slip.js";

/** The part behind the last line. */
export async function morePart(it) {
  return [h("h3", {}, "Pictures"), await cameraPart(it), h("h3", {}, "Its name"), renaming(it), h("h3", {}, "Another like it"),
    h("p", {}, "What it is goes into a new form; faults, readings and checks do not, for they are this one's own. ", button("Take another like it in", () => another(it), { class: "quiet" })),
    it.record.entry.sale ? null : [h("h3", {}, "If it belongs to somebody else"), await ownerPart(it)]];
}

function renaming(it) {
  const id = freshId("rename");
  const told = h("p", { class: "wrong", role: "alert" });
  const input = h("input", { id, type: "text", maxlength: 64, pattern: "[A-Za-z0-9._\\-]{1,64}", required: true, autocomplete: "off", autocapitalize: "off", spellcheck: "false", value: it.machine.id });
  const send = async (event) => {
    event.preventDefault();
    const [before, name] = [it.machine.id, input.value.trim()];
    if (name === before) return;
    try {
      const now = await rename(it.record, name);
      wrote(`${before} is now called ${name}.`, async () => {
        await rename(now, before);
        location.hash = at(before);
      });
      location.hash = at(name);
    } catch (error) {
      refill(told, error.message);
    }
  };
  return h("form", { novalidate: true, on: { submit: send } }, h("div", { class: "fields" }, h("p", {}, h("label", { for: id }, "Name on its tag"), input), h("button", { type: "submit", class: "second" }, "Call it that")), told);
}

function another({ machine }) {
  const { faults: _faults, readings: _readings, checks: _checks, note: _note, serial: _serial, serial_number: _number, ...kind } = machine;
  const stem = machine.id.replace(/-\d+$/, "").slice(0, 60);
  const place = Number(machine.id.match(/-(\d+)$/)?.[1] ?? 1) + 1;
  keep("take", { machine: { ...kind, id: `${stem}-${place}` }, key: ownKey() });
  location.hash = "#/take";
}
