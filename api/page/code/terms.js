// The terms of the shop: kept on this device, sent with every question.

import { keep, kept } from "./keep.js";

const USUAL = { hour_value: 15, hours: 6, cash: 80, currency: "USD", price_level: 1, month: null };

/** All terms, null where there is no limit or the server's own month is meant. */
export const terms = () => ({ ...USUAL, ...kept("terms", {}) });

/** Change some of them. */
export const setTerms = (some) => keep("terms", { ...terms(), ...some });

/** The terms of a question that no limit of this week binds. */
export function unlimited() {
  const { hour_value, currency, price_level, month } = terms();
  return known({ hour_value, currency, price_level, month });
}

/** The terms of a question about this week. */
export const thisWeek = () => known(terms());

const known = (all) => Object.fromEntries(Object.entries(all).filter(([, value]) => value !== null));
