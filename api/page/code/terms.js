// Own terms: kept with the records, the same on every device; a copy stays here for when the server is away.

import { Away, read, Refused, write } from "./http.js";
import { keep, kept } from "./keep.js";

const USUAL = { hour_value: 15, hours: 6, cash: 80, currency: "USD", price_level: 1, month: null };
const NONE = { version: 0, own: { terms: {}, weeks: 12, country: null, words: "british", theme: "device" } };
const PATH = "/v1/own-terms";
const PAUSE_MS = 500; // a slider moves many times before it rests

/** Everything own: what is on record, and on top what this device changed and has not sent yet. */
export function own() {
  const { own: said } = kept("own", NONE);
  const mine = kept("own.mine", {});
  return { ...NONE.own, ...said, ...mine, terms: { ...said.terms, ...mine.terms } };
}

/** All terms, null where there is no limit or the server's own month is meant. */
export const terms = () => ({ ...USUAL, ...own().terms });

/** Weeks within which a listed machine must be gone. */
export const weeksToSell = () => own().weeks;

/** Change some terms. */
export const setTerms = (some) => setOwn({ terms: some });

/** Change something own; it counts at once here, and on every device once the server has it. */
export function setOwn(some) {
  const mine = kept("own.mine", {});
  keep("own.mine", { ...mine, ...some, ...(some.terms ? { terms: { ...mine.terms, ...some.terms } } : {}) });
  show();
  clearTimeout(setOwn.soon);
  setOwn.soon = setTimeout(send, PAUSE_MS);
}

/** Read what is on record, and send what this device changed. */
export async function ownTerms() {
  show();
  try {
    await heard();
    await send();
  } catch (error) {
    if (!(error instanceof Away) && !(error instanceof Refused)) throw error; // not let in, or away: the copy holds
  }
}

async function heard() {
  keep("own", await read(PATH, "Reading your terms"));
  show();
}

async function send() {
  for (let again = 0; again < 3; again += 1) {
    const mine = JSON.stringify(kept("own.mine", {}));
    if (mine === "{}") return;
    try {
      keep("own", await write("PUT", PATH, own(), { match: kept("own", NONE).version }));
      if (JSON.stringify(kept("own.mine", {})) === mine) keep("own.mine", {});
      return;
    } catch (error) {
      if (error instanceof Away) return; // sent when it is back
      if (error.status !== 412) {
        keep("own.mine", {});
        window.dispatchEvent(new CustomEvent("own-refused", { detail: error.message }));
        return;
      }
      await heard(); // another device was quicker; only what was changed here goes on top
    }
  }
}

function show() {
  document.documentElement.dataset.theme = own().theme;
  document.documentElement.lang = own().words === "american" ? "en-US" : "en";
}

window.addEventListener("server-back", ownTerms);

/** The terms of a question that no limit of this week binds. */
export function unlimited() {
  const { hours: _hours, cash: _cash, ...rest } = terms();
  return known(rest);
}

/** The terms of a question about this week. */
export const thisWeek = () => known(terms());

const known = (all) => Object.fromEntries(Object.entries(all).filter(([, value]) => value !== null));
