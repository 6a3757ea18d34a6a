// A part that could not be had: why, and a way to try again.

import { button, h } from "./dom.js";

/** What went wrong in one line, with a button to try again. */
export function trouble(error, again) {
  return h("div", { class: "trouble", role: "alert" }, h("p", {}, error.message), again && button("Try again", again));
}

/** Fill a place once its part is there; meanwhile say what is worked out, and say so if it fails. */
export async function fill(place, words, make, signal) {
  place.setAttribute("aria-busy", "true");
  place.replaceChildren(h("p", { class: "waiting" }, `${words} …`));
  try {
    const made = await make();
    if (!signal?.aborted) place.replaceChildren(...[made].flat(Infinity).filter(Boolean));
  } catch (error) {
    if (error.name !== "AbortError") place.replaceChildren(trouble(error, () => fill(place, words, make, signal)));
  } finally {
    place.removeAttribute("aria-busy");
  }
}
