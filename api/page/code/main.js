// Which view stands on the page: the address after # says so.

import { h, refill } from "./dom.js";
import { trouble } from "./trouble.js";

const VIEWS = {
  bench: () => import("./bench.js"),
  machine: () => import("./machine.js"),
  take: () => import("./take.js"),
  measure: () => import("./take.js"),
  sold: () => import("./sold.js"),
  model: () => import("./model.js"),
};
const main = document.getElementById("main");
let leaving = new AbortController();

function asked() {
  const [, name, id] = location.hash.split("/");
  return { name: name in VIEWS ? name : "bench", id: id ? decodeURIComponent(id) : null };
}

async function show(moved) {
  leaving.abort();
  leaving = new AbortController();
  const { signal } = leaving;
  const { name, id } = asked();
  mark(name);
  try {
    const view = await VIEWS[name]();
    if (!signal.aborted) await view.show(main, id, signal);
  } catch (error) {
    if (signal.aborted) return;
    refill(main, h("h1", {}, "This view could not be made"), trouble(error, () => show(false)));
  }
  if (!signal.aborted) settle(moved);
}

/** After a move the reader, and a screen reader, start at the head of the view. */
function settle(moved) {
  const head = main.querySelector("h1");
  document.title = head ? `${head.textContent} – valuer` : "valuer";
  if (!moved) return;
  window.scrollTo(0, 0);
  if (head) head.tabIndex = -1;
  (head ?? main).focus();
}

function mark(name) {
  for (const link of document.querySelectorAll("#views a")) {
    if (link.hash === `#/${name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
}

document.getElementById("skip").addEventListener("click", (event) => {
  event.preventDefault();
  main.focus();
});
window.addEventListener("hashchange", () => show(true));
window.addEventListener("records-changed", () => show(false));
window.addEventListener("server-back", () => {
  if (!main.querySelector("form.holds")) show(false); // a form keeps what is in it
});
show(false);
