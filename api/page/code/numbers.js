// Numbers as people write them: understood and said again, or refused; what can be meant in two ways is asked.

import { button, freshId, h, refill } from "./dom.js";
import { ask } from "./http.js";
import { terms } from "./terms.js";

const UNITS = {
  s: { s: 1, sec: 1, secs: 1, second: 1, seconds: 1 },
  years: { y: 1, yr: 1, yrs: 1, year: 1, years: 1, months: 1 / 12, month: 1 / 12 },
  inches: { in: 1, inch: 1, inches: 1, '"': 1, "″": 1, "''": 1, cm: 1 / 2.54, mm: 1 / 25.4 },
  hours: { h: 1, hr: 1, hrs: 1, hour: 1, hours: 1, min: 1 / 60, mins: 1 / 60, minute: 1 / 60, minutes: 1 / 60 },
  rpm: { rpm: 1, "/min": 1, "1/min": 1 }, mm: { mm: 1, cm: 10 }, in: { in: 1, inch: 1, inches: 1, '"': 1 }, miles: { mi: 1, mile: 1, miles: 1, km: 1 / 1.609344 },
  psi: { psi: 1 }, bar: { bar: 1, bars: 1 }, kPa: { kpa: 1 }, kgf: { kgf: 1, kp: 1 }, N: { n: 1 }, lbf: { lbf: 1 }, kg: { kg: 1 }, lb: { lb: 1, lbs: 1 }, V: { v: 1, volt: 1, volts: 1 }, "%": { "%": 1, percent: 1 },
};
const MARKS = { $: ["USD", "CAD", "AUD", "NZD"], "€": ["EUR"], "£": ["GBP"] };
const HALVES = { "¼": "1/4", "½": "1/2", "¾": "3/4", "⅓": "1/3", "⅔": "2/3", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8" };
const WHOLE = /^\d+$/;
const GROUPED = /^\d{1,3}(?:[ '’]\d{3})+(?:[.,]\d+)?$/;
const POINTED = /^\d{1,3}(?:,\d{3})+\.\d+$|^\d{1,3}(?:,\d{3}){2,}$/;
const COMMAED = /^\d{1,3}(?:\.\d{3})+,\d+$|^\d{1,3}(?:\.\d{3}){2,}$/;
const SIMPLE = /^(\d*)([.,])(\d*)$/;
const PART = /^(?:(\d+) )?(\d+)[/⁄](\d+)$/;
const MARKED = /^([-+]?)\s*([$€£]?)\s*([\d.,'’ /⁄]*\d[.,]?)\s*(.*)$/;

const plain = (value) => String(Number(value.toPrecision(12)));

/** What a text means as one number: `{}` for nothing, `{ value }`, `{ either }` with two readings, or `{ wrong }`. */
export function understood(text, { unit = "", money = false, minimum = -Infinity, maximum = Infinity, whole = false } = {}) {
  const said = plainMarks(text);
  if (said === "") return {};
  const [, sign, mark, figures, rest] = MARKED.exec(said) ?? [];
  const factor = figures === undefined ? undefined : factorOf(rest.trim().toLowerCase(), mark, unit, money);
  if (factor === undefined) return { wrong: `expected a number${unit ? ` of ${unit}` : ""}, such as ${example(unit)}; got “${said.slice(0, 40)}”` };
  const found = meant(figures.trim());
  if (!found.length) return { wrong: `“${figures.slice(0, 30)}” can be read in no way that is sure; write it without marks between thousands` };
  const values = found.map((value) => Number(plain((sign === "-" ? -1 : 1) * value * factor)));
  const fit = values.length > 1 ? values.filter((value) => value >= minimum && value <= maximum) : values;
  if (fit.length > 1) return { either: fit };
  const [value = values[0]] = fit;
  if (!Number.isFinite(value) || value < minimum || value > maximum) return { wrong: `must be ${limits(minimum, maximum)}, got ${plain(value)}` };
  if (whole && !Number.isInteger(value)) return { wrong: `must be a whole number, got ${plain(value)}` };
  return { value };
}

/** One kind of blank, of minus and of digit; halves and quarters written out. Raised digits stay what they are. */
const plainMarks = (text) => text.replaceAll(/[\s\u00a0\u2000-\u200a\u202f]+/g, " ").replaceAll(/[−–]/g, "-")
  .replaceAll(/[\uff0c-\uff0e\uff10-\uff19]/g, (mark) => String.fromCharCode(mark.charCodeAt(0) - 0xfee0))
  .replaceAll(/[¼½¾⅓⅔⅛⅜⅝⅞]/g, (part) => ` ${HALVES[part]}`).trim();

const example = (unit) => ({ s: "2.4", years: "6", inches: "21" }[unit] ?? "12.50");

function limits(minimum, maximum) {
  if (minimum === -Infinity) return `${plain(maximum)} or less`;
  return maximum === Infinity ? `${plain(minimum)} or more` : `from ${plain(minimum)} to ${plain(maximum)}`;
}

/** By what a number in the unit written is to be multiplied; nothing where the unit does not belong here. */
function factorOf(rest, mark, unit, money) {
  if (mark && !(money && MARKS[mark].includes(terms().currency))) return undefined;
  if (rest === "") return 1;
  if (money) return !mark && (MARKS[rest]?.includes(terms().currency) || rest === terms().currency.toLowerCase()) ? 1 : undefined;
  return (UNITS[unit] ?? {})[rest.replace(/\.$/, "")];
}

/** The readings of figures: one where they are plain, two where the one mark could divide thousands or decimals. */
function meant(figures) {
  if (WHOLE.test(figures)) return [Number(figures)];
  if (GROUPED.test(figures)) return [Number(figures.replaceAll(/[ '’]/g, "").replace(",", "."))];
  if (POINTED.test(figures)) return [Number(figures.replaceAll(",", ""))];
  if (COMMAED.test(figures)) return [Number(figures.replaceAll(".", "").replace(",", "."))];
  const [, count, above, below] = PART.exec(figures) ?? [];
  if (below) return Number(below) ? [Number(count ?? 0) + Number(above) / Number(below)] : [];
  const [, before, , after] = SIMPLE.exec(figures) ?? [];
  if (before === undefined || (before === "" && after === "")) return [];
  const decimal = Number(`${before || 0}.${after || 0}`);
  const thousands = /^[1-9]\d{0,2}$/.test(before) && after.length === 3;
  return thousands ? [decimal, Number(before + after)] : [decimal];
}

const TWO_WAYS = (text) => `“${text.trim().slice(0, 30)}” can be meant in two ways; write each run with a point, a blank between them`;

/** What a text means as several runs, divided by blanks or semicolons; a comma alone divides only before a blank. */
export function understoodRuns(text, bounds = {}) {
  const pieces = plainMarks(text).split(/ ?; ?|, | (?=[\d.,])/).filter((piece) => piece !== "");
  if (pieces.length === 1 && /^\d+,\d+\D*$/.test(pieces[0])) {
    const [first, second] = pieces[0].match(/\d+/g);
    return { either: [[Number(`${first}.${second}`)], [Number(first), Number(second)]].filter((runs) => runs.every((run) => run >= (bounds.minimum ?? 0) && run <= (bounds.maximum ?? Infinity))) };
  }
  if (/\d,\d/.test(text) && /,\s/.test(text)) return { wrong: TWO_WAYS(text) }; // a comma for both
  const read = pieces.map((piece) => understood(piece, bounds));
  const bad = read.find((each) => each.wrong || each.either);
  if (bad) return bad.wrong ? bad : { wrong: TWO_WAYS(text) };
  return pieces.length ? { value: read.map((each) => each.value) } : {};
}

/** What was read, as it is said under a field. */
export const saidAgain = (value, unit) => (Array.isArray(value) && value.length > 1 ? `${value.length} runs: ${value.map(plain).join(", ")}${unit ? ` ${unit}` : ""}`
  : `${plain([value].flat()[0])}${unit ? ` ${unit}` : ""}`);

/**
 * A field for a number, its reading under it. `told(value)` hears null while nothing sure stands there; what was typed
 * is kept as it is, and `typed`, where given, is put in again.
 */
export function numberField(label, value, told, { help = "", field, required = false, runs = false, unit = "", typed = null, ...bounds } = {}) {
  const id = freshId("number");
  const read = h("p", { class: "read", id: `${id}-read`, role: "status" });
  const wrong = h("p", { class: "wrong", id: `${id}-wrong` });
  const input = h("input", {
    id, type: "text", inputmode: bounds.whole ? "numeric" : "decimal", autocomplete: "off", value: typed ?? shownIn(value), "data-field": field, required,
    "data-number": true, "aria-describedby": `${help ? `${id}-help ` : ""}${id}-read ${id}-wrong`, on: { input: () => look(true) },
  });
  const heard = new Map(); // what the server's reader made of texts that are not understood here
  let asking = null;
  const set = (chosen) => { input.value = shownIn(chosen); look(true); input.focus(); };
  const look = (tell) => {
    clearTimeout(asking);
    const here = runs ? understoodRuns(input.value, { unit, ...bounds }) : understood(input.value, { unit, ...bounds });
    const found = here.wrong && heard.has(input.value) ? heard.get(input.value) : here;
    if (found.wrong && field && tell && !heard.has(input.value)) asking = setTimeout(elsewhere, ASK_MS, input.value);
    const doubt = found.wrong ?? (found.either && "This can be meant in two ways:");
    input.toggleAttribute("data-unread", Boolean(doubt));
    if (doubt) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
    wrong.textContent = doubt ?? "";
    const choices = found.either?.map((each) => button(saidAgain(each, unit), () => set(each), { class: "quiet" }));
    refill(read, choices ?? (found.value === undefined ? "" : `= ${saidAgain(found.value, unit)}`));
    if (tell) told(found.value ?? null, input.value);
  };
  const elsewhere = async (text) => {
    heard.set(text, await askedOf(field, text));
    if (input.value === text && input.isConnected) look(true);
  };
  look(false);
  const node = h("div", { class: "figure" }, h("label", { for: id }, label, unit ? h("small", {}, ` ${unit}`) : null), input,
    help ? h("p", { class: "fine", id: `${id}-help` }, help) : null, read, wrong);
  const sure = () => (heard.get(input.value) ?? (runs ? understoodRuns(input.value, { unit, ...bounds }) : understood(input.value, { unit, ...bounds }))).value ?? null;
  return { node, input, set, value: sure };
}

const ASK_MS = 350;

/** What the reader of the other doors makes of a text; it knows more spellings. Away, or without a name for this: wrong. */
async function askedOf(name, text) {
  const wrong = `expected a number, got “${text.slice(0, 40)}”`;
  try {
    const { figures: [read] } = await ask("/v1/read/figures", { figures: [{ name, text }], currency: terms().currency }, "Reading it");
    return read.value === null ? { wrong: read.problem ?? wrong } : { value: read.value };
  } catch {
    return { wrong };
  }
}

const shownIn = (value) => (value === null || value === undefined ? "" : [value].flat().map(plain).join(" ; "));

/** The first field of a form whose text is not understood, after the focus went there; null where all are. */
export function unread(form) {
  const first = form.querySelector("[data-unread]");
  first?.focus();
  return first;
}
