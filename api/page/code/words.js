// Numbers and names as people write them.

import { inEnglish } from "./dom.js";

const WHOLE = new Intl.NumberFormat("en", { maximumFractionDigits: 0 });
const CENTS = new Intl.NumberFormat("en", { minimumFractionDigits: 2, maximumFractionDigits: 2 });
const MONTHS = ["January", "February", "March", "April", "May", "June", "July", "August", "September",
  "October", "November", "December"];
const OWN_SPELLING = { ohv: "OHV", estart: "E-start", rpm: "rpm" };

/** Money in whole units; the currency is named once a view. */
export const money = (amount) => WHOLE.format(Math.round(amount) + 0);

/** Money that changed hands, to the cent where there are cents: what was typed is seen again. */
export const paid = (amount) => (Number.isInteger(amount) ? money(amount) : CENTS.format(amount));

/** The same with its sign, for what is gained or lost. */
export const change = (amount) => `${Math.round(amount) < 0 ? "−" : "+"}${WHOLE.format(Math.abs(Math.round(amount)))}`;

/** Percent that something moved, with its sign. */
export const signed = (moved) => `${moved < 0 ? "−" : "+"}${Math.abs(moved)}\u00a0%`;

/** Hours, or minutes below one hour. */
export function time(hours) {
  if (hours === 0) return "no time";
  return hours < 1 ? `${Math.max(1, Math.round(hours * 60))} min` : `${Number(hours.toFixed(1))} h`;
}

/** A chance from 0 to 1 in percent. */
export const percent = (share) => `${Math.round(share * 100)}\u00a0%`;

/** How many in ten, for chances said in a sentence. */
export const inTen = (share) => `${Math.round(share * 10)} in 10`;

export const month = (number) => MONTHS[number - 1];

/** `front_one_speed` as words, in the English that was chosen. */
export function spoken(id) {
  const words = id.split("_").map((word) => OWN_SPELLING[word] ?? word).join(" ");
  return inEnglish(words.charAt(0).toUpperCase() + words.slice(1));
}

/** One or many. */
export const count = (number, one, many) => `${number} ${number === 1 ? one : many}`;

/** Words joined as in a sentence. */
export function listed(words) {
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;
}

/** What has to stand beside a number, not behind a fold: it comes from outside of what the sales show. */
export const outOfRange = (warnings) => warnings.filter((line) => line.startsWith("Outside the range"));
