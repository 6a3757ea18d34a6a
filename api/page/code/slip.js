// The slip at the foot: what was just written down, and how to take it back.

import { button, h, refill } from "./dom.js";

const slip = document.getElementById("slip");

/** Say what was written down; `undo` takes it back. It stays until the next one or until it is put away. */
export function wrote(words, undo) {
  refill(slip, h("p", {}, words),
    undo && button("Undo", async () => {
      try {
        await undo();
        wrote("Taken back.");
      } catch (error) {
        wrote(`Not taken back: ${error.message}`);
      }
      window.dispatchEvent(new Event("records-changed"));
    }),
    button("Put away", () => refill(slip), { class: "quiet" }));
}
