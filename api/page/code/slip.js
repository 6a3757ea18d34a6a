// The slip at the foot: what was just written down, and how to take it back.

import { button, h, refill } from "./dom.js";
import { drop } from "./queue.js";
import { bare, measure, putBack } from "./records.js";

const STAYS_MS = 20000; // later it is still taken back under "Written down today"
const slip = document.getElementById("slip");
let leaves = null;

/** Say what was written down; `undo` takes it back. It goes by itself, unless somebody is about to use it. */
export function wrote(words, undo) {
  clearTimeout(leaves);
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
  leaves = setTimeout(leave, STAYS_MS);
}

function leave() {
  if (slip.matches(":hover, :focus-within")) leaves = setTimeout(leave, STAYS_MS);
  else refill(slip);
}

/** Say what a deed came to: done, or waiting on this device until the server is back. */
export function deedDone(words, now, undo) {
  if (now?.waits) wrote(`${words} It waits on this device and is sent once the server is back.`, () => drop(now.waits));
  else wrote(words, undo && (() => undo(now)));
  window.dispatchEvent(new Event("records-changed"));
}

/** Write a change of a machine down and say so in words; what was there before is one tap away. */
export async function writeDown(machine, words, it) {
  const before = it.record;
  try {
    const now = await measure(before, machine, words);
    deedDone(`${it.machine.id}: ${words}.`, now, (after) => putBack({ entry: bare(before.entry) }, after));
  } catch (error) {
    wrote(`Not written down: ${error.message}`);
    window.dispatchEvent(new Event("records-changed"));
  }
}
