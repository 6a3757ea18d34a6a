// A part that could not be had: why, and a way to try again.

import { button, h, redraw } from "./dom.js";

/** What went wrong in one line, with a button to try again. */
export function trouble(error, again) {
  return h("div", { class: "trouble", role: "alert" }, h("p", {}, error.message), again && button("Try again", again));
}

/** Fill a place once its part is there; what stood there stays until then, and where nothing did, it says what comes. */
export async function fill(place, words, make, signal) {
  place.setAttribute("aria-busy", "true");
  if (!place.childNodes.length) place.replaceChildren(h("p", { class: "waiting" }, `${words} …`));
  try {
    const made = await make();
    if (!signal?.aborted) redraw(place, made);
  } catch (error) {
    if (error.name !== "AbortError") redraw(place, trouble(error, () => fill(place, words, make, signal)));
  } finally {
    if (!signal?.aborted) place.removeAttribute("aria-busy");
  }
}
