// What is under way: a line of words once anything has taken half a second, and whether the server answers.

import { button, h, refill } from "./dom.js";

const PATIENCE_MS = 500;
const LOOK_AGAIN_MS = 4000;
const busy = document.getElementById("busy");
const away = document.getElementById("away");
const pending = new Set();
let looking = null;

/** Show that something is under way, if it takes longer than half a second; call the result when it is over. */
export function began(words) {
  const work = { words, timer: setTimeout(() => tell(work), PATIENCE_MS), told: false };
  pending.add(work);
  return () => {
    clearTimeout(work.timer);
    pending.delete(work);
    say();
  };
}

function tell(work) {
  work.told = true;
  say();
}

function say() {
  const told = [...pending].filter((work) => work.told);
  const words = told.length ? `${told[0].words} …` : "";
  busy.classList.toggle("on", told.length > 0);
  if (busy.textContent !== words) busy.textContent = words;
}

/** The server did not answer: say so, and keep looking whether it is back. */
export function serverAway() {
  if (looking) return;
  refill(away, h("p", {}, "The server does not answer. What was seen last is shown; what you type and write down is kept on this device and nothing is lost."),
    button("Reach the server again", look));
  away.hidden = false;
  looking = setInterval(look, LOOK_AGAIN_MS);
}

async function look() {
  try {
    const answer = await fetch("/health", { cache: "no-store" });
    if (answer.ok) serverBack();
  } catch { /* still away; the notice stands */ }
}

function serverBack() {
  clearInterval(looking);
  looking = null;
  away.hidden = true;
  window.dispatchEvent(new Event("server-back"));
}
