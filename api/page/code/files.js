// The records as files: out, in with a look first, copied, and a copy put back.

import { button, freshId, h, refill, sentences } from "./dom.js";
import { ask, read } from "./http.js";
import { takeBack } from "./records.js";
import { wrote } from "./slip.js";
import { trouble } from "./trouble.js";
import { count } from "./words.js";

const MOST_BYTES = 1_900_000;

/** The part about files. */
export function filesPart(signal) {
  const told = h("div", { role: "status" });
  const copies = h("div", {});
  const act = async (work) => {
    try {
      await work();
    } catch (error) {
      refill(told, trouble(error));
    }
  };
  const list = () => act(async () => {
    const { backups } = await read("/v1/backups", "Reading the copies", signal);
    refill(copies, backups.length ? h("ul", { class: "past" }, backups.map((name) => h("li", {}, h("small", {}, name), " ", button("Put it back", () => act(() => restore(name)), { class: "quiet", "aria-label": `Put ${name} back` })))) : h("p", {}, "No copy yet."));
  });
  const restore = async (name) => {
    if (!confirm(`Put ${name} in the place of the records? What stands there now is kept among the copies.`)) return;
    const { kept } = await ask(`/v1/backups/${encodeURIComponent(name)}/restore`, undefined, "Putting it back");
    wrote(`Put back from ${name}.${kept ? ` What stood there is kept as ${kept}.` : ""}`);
    window.dispatchEvent(new Event("records-changed"));
    await list();
  };
  const id = freshId("file");
  const file = h("input", { id, type: "file", accept: ".json,.csv,text/csv,application/json", class: "camera", on: { change: () => act(async () => {
    const [chosen] = file.files;
    file.value = "";
    if (chosen) await look(chosen);
  }) } });
  const look = async (chosen) => {
    if (chosen.size > MOST_BYTES) throw new Error(`${chosen.name} is over 2 MB; read it in on the command line: valuer import`);
    const given = { name: chosen.name, text: await chosen.text() };
    const found = await ask("/v1/import", { ...given, dry_run: true }, "Reading the file");
    const read_in = (replace) => act(async () => {
      const done = await ask("/v1/import", { ...given, replace }, "Writing it down");
      refill(told);
      const undo = done.deed === null ? undefined : () => takeBack(done.deed, { atOnce: true });
      wrote(`${given.name}: ${count(done.new, "machine", "machines")} new.${done.copy_before ? ` The records as they were: ${done.copy_before}, below.` : ""}`, undo);
      await list();
      window.dispatchEvent(new Event("records-changed"));
    });
    refill(told, h("p", {}, `${given.name}: ${count(found.new, "machine", "machines")} new, ${found.same} on record already, ${count(found.prices_seen, "price", "prices")} seen around, ${count(found.pictures, "picture", "pictures")} new.${found.own_terms ? " Its own terms are taken too." : ""}`,
      found.changed.length ? ` Otherwise on record: ${found.changed.slice(0, 5).join(", ")}${found.changed.length > 5 ? " …" : ""}.` : ""),
    found.read_as.length ? h("details", {}, h("summary", {}, `${count(found.read_as.length, "word", "words")} read as another`), sentences(found.read_as)) : null,
    h("p", { class: "answers" }, found.changed.length ? button("Take the file's", () => read_in(true), { class: "stop" }) : button("Read it in", () => read_in(false)), button("Not now", () => refill(told), { class: "quiet" })));
  };
  list();
  return [h("p", { class: "answers" }, ["json", "csv"].map((form) => h("a", { class: "act quiet", href: `/v1/export?form=${form}`, download: "" }, `Export as ${form.toUpperCase()}`)),
    h("span", {}, file, h("label", { for: id, class: "act quiet" }, "Read a file in"))), told,
  h("h3", {}, "Copies"), h("p", { class: "fine" }, "A copy, and an export as JSON, hold everything: records, pictures, own terms. Copies stand beside the records."), button("Make a copy", () => act(async () => {
    const { backups: [name] } = await ask("/v1/backups", undefined, "Copying");
    wrote(`Copied to ${name}.`);
    await list();
  }), { class: "second" }), copies];
}
