// Cautions beside the action they belong to: in full the first time in a part, by title after that.

import { h } from "./dom.js";

/** Every caution in full: where each action is opened by itself. */
export const toldInFull = (cautions) => (cautions.length ? h("div", { class: "caution" },
  cautions.map((each) => h("p", {}, h("strong", {}, `⚠ ${each.title}: `), each.words))) : null);

/** A teller of cautions for one part of the page; what was told in full above is only named again. */
export function cautioner() {
  const told = new Set();
  return (cautions) => {
    if (!cautions.length) return null;
    const fresh = cautions.filter((each) => !told.has(each.id) && each.force === "must_show");
    const known = cautions.filter((each) => !fresh.includes(each));
    for (const each of fresh) told.add(each.id);
    return h("div", { class: "caution" },
      fresh.map((each) => h("p", {}, h("strong", {}, `⚠ ${each.title}: `), each.words)),
      known.length ? h("details", {}, h("summary", {}, `⚠ ${known.map((each) => each.title).join(" · ")}`),
        known.map((each) => h("p", {}, h("strong", {}, `${each.title}: `), each.words))) : null);
  };
}
