// An honest draft to copy, and the sheet for the handle.

import { printed } from "./camera.js";
import { button, h, refill, sentences } from "./dom.js";
import { weeksToSell } from "./terms.js";
import { wrote } from "./slip.js";
import { money } from "./words.js";

/** The part about the listing. */
export async function listingPart(it) {
  const weeks = weeksToSell();
  const done = it.record.entry.fixes.filter((fix) => fix.cured).map((fix) => it.facts.fixes.get(fix.fix)?.name ?? fix.fix);
  const { listings: [draft] } = await it.question("/v1/listings", "Writing the listing", { weeks, done: [...new Set(done)] });
  if (draft.refusal) return [h("p", { class: "lead not" }, `⊘ ${draft.refusal}`), sheet(draft)];
  return [
    h("pre", { class: "draft", tabindex: 0, "aria-label": "Draft of the listing" }, draft.text),
    h("p", { class: "answers" }, sharer(draft), copier(draft.text, "Copy the text"), copier(draft.short, "Copy the short form"), copier(draft.markdown, "Copy as Markdown"),
      button("Print the sheet for the handle", () => window.print(), { class: "quiet" })),
    h("details", {}, h("summary", {}, "Pictures and films to take"), sentences(draft.photos)),
    h("details", {}, h("summary", {}, "For you alone: still to do, to show, the law"), sentences(draft.for_the_seller)),
    h("details", {}, h("summary", {}, "Cautions for the buyer"), sentences(draft.for_the_buyer)),
    sheet(draft),
  ];
}

/** The device's own way of handing text on, where a browser gives it to pages. */
function sharer({ title, text }) {
  if (!navigator.share) return null;
  return button("Share", async () => {
    try {
      await navigator.share({ title, text });
    } catch (error) {
      if (error.name !== "AbortError") wrote(`Not shared: ${error.message}`);
    }
  });
}

function copier(text, words) {
  const copy = button(words, async () => {
    refill(copy, (await copied(text)) ? "Copied" : "Mark the text and copy it by hand");
    setTimeout(() => refill(copy, words), 2500);
  }, { class: "quiet" });
  return copy;
}

async function copied(text) {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch { // a phone on plain http in the home network has no clipboard for pages
    return byHand(text);
  }
}

function byHand(text) {
  const field = h("textarea", { class: "off-page", "aria-hidden": "true" }, text);
  document.body.append(field);
  field.select();
  const done = document.execCommand("copy");
  field.remove();
  return done;
}

/** What comes out of the printer: one page that hangs on the handle. */
function sheet(draft) {
  const stop = draft.refusal ?? (draft.safety.may_be_sold ? null : "Do not run. Plug lead off, fuel drained.");
  return h("div", { class: "sheet", "aria-hidden": "true" },
    h("p", { class: "sheet-id" }, draft.id),
    h("p", { class: "sheet-title" }, draft.title || "Not for sale"),
    stop ? h("p", { class: "sheet-stop" }, stop) : null,
    draft.price ? h("p", { class: "sheet-price" }, `${money(draft.price)} ${draft.value.currency}`) : null,
    draft.refusal ? null : printed(draft.id),
    draft.text ? h("pre", {}, draft.text.split("\n\n").slice(1).join("\n\n")) : null,
    h("p", { class: "sheet-foot" }, draft.safety.statement));
}
