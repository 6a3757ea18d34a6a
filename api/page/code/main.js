// Which view stands on the page: the address after # says so.

import { h, refill } from "./dom.js";
import { comeIn, outside } from "./entrance.js";
import { stayAtHome } from "./home.js";
import { queueBar } from "./queuebar.js";
import { ownTerms } from "./terms.js";
import { trouble } from "./trouble.js";

const VIEWS = {
  bench: () => import("./bench.js"),
  machine: () => import("./machine.js"),
  take: () => import("./take.js"),
  measure: () => import("./take.js"),
  sold: () => import("./sold.js"),
  own: () => import("./own.js"),
  model: () => import("./model.js"),
};
const main = document.getElementById("main");
let leaving = new AbortController();
let stands = {};

function asked() {
  const [, name, id, line] = location.hash.split("/").map(plainly);
  return { name: name in VIEWS ? name : "bench", id: id || null, line: line || null };
}

/** An address somebody typed may be broken; then it is taken as it stands. */
function plainly(part) {
  try {
    return decodeURIComponent(part);
  } catch {
    return part;
  }
}

/** Make the view anew: `why` is first, moved, or again, when only what has changed is drawn. */
async function show(why) {
  leaving.abort();
  leaving = new AbortController();
  const { signal } = leaving;
  main.setAttribute("aria-busy", "true"); // from the move on, not only once it is known that one may come in
  try {
    await comeIn();
  } catch (error) {
    stayOutside(error.message);
  }
  if (why === "first") await ownTerms();
  if (signal.aborted) return;
  const { name, id, line } = asked();
  mark(name);
  main.inert = why !== "again"; // what still stands there belongs to the view that is leaving
  try {
    const view = await VIEWS[name]();
    if (!signal.aborted) await view.show(main, id, signal, { line, again: why === "again" });
    stands = { name, id, view };
  } catch (error) {
    if (signal.aborted) return;
    refill(main, h("h1", {}, "This view could not be made"), trouble(error, () => show("again")));
  }
  if (signal.aborted) return; // another view is on its way
  main.removeAttribute("aria-busy");
  main.inert = false;
  settle(why);
}

/** After a move the reader, and a screen reader, start at the head of the view; so does one whose place is gone. */
function settle(why) {
  const head = main.querySelector("h1");
  document.title = head ? `${head.textContent} – valuer` : "valuer";
  const lost = why === "again" && document.activeElement === document.body;
  if (why !== "moved" && !lost) return;
  if (why === "moved") window.scrollTo({ top: history.state?.top ?? 0, behavior: "instant" });
  if (head) head.tabIndex = -1;
  (head ?? main).focus({ preventScroll: lost });
}

/** Without the token there is nothing to show but the way in. */
function stayOutside(why) {
  main.removeAttribute("aria-busy");
  if (main.querySelector(".outside")) return;
  leaving.abort();
  leaving = new AbortController();
  refill(main, outside(() => show("moved"), why));
  main.inert = false;
  settle("moved");
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
/** Another line of the same machine opens in place; anything else is another view. */
function moved() {
  const { name, id, line } = asked();
  if (name === stands.name && id === stands.id && stands.view?.open) stands.view.open(line);
  else show("moved");
}

// Each place in the history knows how far it was scrolled, so that the way back leads to where one was.
history.scrollRestoration = "manual";
let settled = null;
window.addEventListener("scroll", () => {
  clearTimeout(settled);
  const place = location.href;
  settled = setTimeout(() => { if (place === location.href) history.replaceState({ top: scrollY }, ""); }, 150);
}, { passive: true });
window.addEventListener("hashchange", moved);
window.addEventListener("not-let-in", () => stayOutside());
window.addEventListener("records-changed", () => show("again"));
window.addEventListener("server-back", () => {
  if (!main.querySelector("form.holds")) show("again"); // a form keeps what is in it
});
show("first").then(queueBar).then(stayAtHome);
