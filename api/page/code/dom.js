// Build nodes. Text only ever becomes a text node, so nothing a user or the server says can become markup.

const SVG = "http://www.w3.org/2000/svg";

/** An HTML element; `on` holds listeners, false and null attributes are left out. */
export function h(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

/** An SVG element, made the same way. */
export function s(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

const heard = (event) => event.currentTarget.hears[event.type]?.(event);
const AMERICAN = [["carburettor", "carburetor"], ["petrol", "gas"], ["aluminium", "aluminum"], ["colour", "color"], ["tyre", "tire"], ["grey", "gray"], ["kerb", "curb"], ["spanner", "wrench"], ["silencer", "muffler"], ["centre", "center"], ["judgement", "judgment"]];
const OTHER = new RegExp(`\\b(un)?(${AMERICAN.map(([british]) => british).join("|")})`, "gi");

/** Words of ours in the English that was chosen. */
export const inEnglish = (words) => (document.documentElement.lang === "en-US"
  ? words.replace(OTHER, (_, before, word) => `${before ?? ""}${likeFirst(word, Object.fromEntries(AMERICAN)[word.toLowerCase()])}`) : words);

/** A sentence likewise; one word alone may be somebody's name for a machine and stays. */
const spelt = (words) => (words.trim().includes(" ") ? inEnglish(words) : words);
const likeFirst = (word, other) => (word[0] === word[0].toUpperCase() ? other[0].toUpperCase() + other.slice(1) : other);

const wanted = (children) => children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false);

function filled(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "on") {
      node.hears = value; // kept by name, so that a node that stays can take over what a new one would do
      for (const event of Object.keys(value)) node.addEventListener(event, heard);
    } else if (name === "value" || name === "checked") {
      node[name] = value;
    } else if (value !== null && value !== undefined && value !== false) {
      node.setAttribute(name, value === true ? "" : String(value));
    }
  }
  node.append(...wanted(children).map((child) => (typeof child === "string" ? spelt(child) : child)));
  return node;
}

/** Put these children in the place of all there were. */
export function refill(node, ...children) {
  node.replaceChildren(...wanted(children));
  return node;
}

/** A button that does something on the page. */
export function button(words, onclick, attributes = {}) {
  return h("button", { type: "button", ...attributes, on: { click: onclick } }, words);
}

/** A list of sentences, or nothing where there are none. */
export function sentences(lines, kind = "plain") {
  return lines.length ? h("ul", { class: kind }, lines.map((line) => h("li", {}, line))) : null;
}

/**
 * Put these children in, and touch only what differs from those there were: folds, focus, scroll and what is typed stay.
 *
 * A node with `data-key` meets the old one of the same key, others the next of their kind. One that says the same stays
 * and takes over what the new one does. One with `data-own` belongs to whoever types in it: the same name, the same node.
 */
export function redraw(place, ...children) {
  const still = holdStill();
  fit(place, wanted(children).map((child) => (child instanceof Node ? child : document.createTextNode(child))));
  still();
  return place;
}

function fit(place, fresh) {
  const keyed = new Map([...place.children].filter(keyOf).map((each) => [keyOf(each), each]));
  const met = new Set();
  let next = place.firstChild;
  for (const node of fresh) {
    const old = keyOf(node) ? keyed.get(keyOf(node)) : nextOfKind(next, node, met);
    const stands = old ? meld(old, node) : node;
    if (old) met.add(stands);
    if (old && stands !== old) {
      if (next === old) next = stands;
      old.replaceWith(stands);
    }
    if (stands === next) next = next.nextSibling;
    else place.insertBefore(stands, next);
  }
  while (next) [next] = [next.nextSibling, next.remove()];
}

const keyOf = (node) => node.dataset?.key;

function nextOfKind(from, node, met) {
  for (let each = from; each; each = each.nextSibling) {
    if (!keyOf(each) && !met.has(each) && each.nodeName === node.nodeName) return each;
  }
  return null;
}

/** The node that stands after a new one came for an old one. */
function meld(old, node) {
  if (old.nodeType !== Node.ELEMENT_NODE) {
    if (old.data !== node.data) old.data = node.data;
    return old;
  }
  const own = old.dataset.own ?? node.dataset.own;
  if (own !== undefined) return old.dataset.own === node.dataset.own ? old : node;
  if (same(old, node)) return takeOver(old, node);
  const whole = old.nodeName !== node.nodeName || old.hears || node.hears || old instanceof SVGElement
    || [...node.children].some((each) => each.id); // what names its neighbour by an id is one with it
  return whole ? inPlaceOf(old, node) : merged(old, node);
}

function merged(old, node) {
  for (const { name } of [...old.attributes]) if (!NAMES.has(name) && !node.hasAttribute(name)) old.removeAttribute(name);
  for (const { name, value } of [...node.attributes]) if (!NAMES.has(name) && old.getAttribute(name) !== value) old.setAttribute(name, value);
  fit(old, [...node.childNodes]);
  return old;
}

/** A new node takes an old one's place, its folds and the focus. */
function inPlaceOf(old, node) {
  const folds = [...old.querySelectorAll("details[open] > summary")].map((each) => each.textContent);
  for (const each of node.querySelectorAll("details > summary")) if (folds.includes(each.textContent)) each.parentNode.open = true;
  if (old.contains(touched)) touched = node;
  if (old.contains(document.activeElement)) {
    const place = [...old.querySelectorAll(REACHED)].indexOf(document.activeElement);
    queueMicrotask(() => {
      const there = node.matches(REACHED) ? node : node.querySelectorAll(REACHED)[Math.max(place, 0)] ?? node.querySelector(REACHED);
      there?.focus({ preventScroll: true });
    });
  }
  return node;
}

const REACHED = "a[href], button:not(:disabled), input, select, textarea, summary";
const NAMES = new Set(["id", "for", "name", "open", "aria-describedby", "aria-labelledby"]);

function same(a, b) {
  if (a.nodeName !== b.nodeName || a.childNodes.length !== b.childNodes.length) return false;
  if (a.nodeType !== Node.ELEMENT_NODE) return a.data === b.data;
  const said = (node) => [...node.attributes].filter(({ name }) => !NAMES.has(name)).map(({ name, value }) => `${name}=${value}`).sort().join("\n");
  if (said(a) !== said(b) || a.value !== b.value || a.checked !== b.checked) return false;
  return [...a.childNodes].every((each, place) => same(each, b.childNodes[place]));
}

function takeOver(old, node) {
  if (node.hears) old.hears = node.hears;
  [...old.children].forEach((each, place) => takeOver(each, node.children[place]));
  return old;
}

let touched = null;
for (const event of ["pointerdown", "focusin"]) {
  document.addEventListener(event, ({ target }) => { if (target.closest?.("main")) touched = target; }, true);
}

/** Remember where the place worked at stands; the result puts it there again, whatever grew or went above it. */
export function holdStill() {
  const inSight = (node) => { const { top, bottom } = node.getBoundingClientRect(); return bottom > 0 && top < innerHeight; };
  const from = touched?.isConnected && inSight(touched) ? touched : nearest();
  const places = [];
  for (let each = from; each && each !== document.body; each = each.parentElement) places.push([each, each.getBoundingClientRect().top]);
  return () => {
    const [node, top] = places.find(([each]) => each.isConnected && each.getClientRects().length) ?? [];
    const moved = node ? node.getBoundingClientRect().top - top : 0;
    if (moved) window.scrollBy({ top: moved, behavior: "instant" });
  };
}

/** The smallest thing about a third down the screen. */
function nearest() {
  const found = [0.33, 0.4, 0.25, 0.5].map((part) => document.elementFromPoint(innerWidth / 3, innerHeight * part)).filter(Boolean);
  return found.reduce((least, each) => (each.offsetHeight < least.offsetHeight ? each : least), found[0]);
}

let given = 0;

/** An id that no other node has. */
export function freshId(stem) {
  given += 1;
  return `${stem}-${given}`;
}
