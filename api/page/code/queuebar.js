// What waits on this device for the server, each deed with its state.

import { button, h, redraw } from "./dom.js";
import { confirmed, drop, flush, waiting } from "./queue.js";
import { at } from "./plain.js";
import { count } from "./words.js";

const STATES = { waits: "waits for the server", refused: "refused", odd: "does that look right?", clashes: "somebody else changed the same thing" };
const LOOK_MS = 15000;
const bar = document.getElementById("queue");

/** Show the deeds without an answer, now and whenever one comes or goes, and try to send them now and then. */
export function queueBar() {
  window.addEventListener("deeds-changed", draw);
  window.addEventListener("online", flush);
  setInterval(() => { if (waiting().some(({ state }) => state === "waits")) flush(); }, LOOK_MS);
  draw();
  flush();
}

function draw() {
  const old = waiting().filter((deed) => Date.now() - deed.at > 1500 || deed.state !== "waits");
  clearTimeout(draw.again);
  if (waiting().length > old.length) draw.again = setTimeout(draw, 1600); // most are answered before anybody reads this
  bar.hidden = old.length === 0;
  redraw(bar, old.length ? h("details", { open: old.some(({ state }) => state !== "waits") }, h("summary", {}, `${count(old.length, "deed", "deeds")} not written down yet`),
    h("ul", {}, old.map(item)), h("p", {}, button("Send now", flush, { class: "quiet" }))) : []);
}

function item({ name, id, words, state, why }) {
  return h("li", { "data-key": name }, h("a", { href: at(id) }, id), ` ${words ?? ""} – ${STATES[state]}${why ? `: ${why}` : ""} `,
    state === "odd" ? button("It is right", () => confirmed(name), { class: "quiet" }) : null,
    button("Drop it", () => { if (confirm(`Drop this for good? ${id}: ${words ?? ""}`)) drop(name); }, { class: "quiet" }));
}
