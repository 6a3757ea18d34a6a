// What is one's own: the terms of the shop, the devices let in, the records as files.

import { h, refill } from "./dom.js";
import { devicesPart } from "./devices.js";
import { filesPart } from "./files.js";
import { homePart } from "./home.js";
import { shopTerms } from "./shop.js";
import { todayPart } from "./todays.js";

/** Put it on the page. */
export function show(main, _id, signal, { again } = {}) {
  if (again && main.querySelector(".own")) return;
  const part = (title, inside) => h("section", { class: "part", "aria-label": title }, h("h2", {}, title), inside);
  refill(main, h("h1", {}, "Own terms"), h("div", { class: "machine own" },
    h("div", { class: "side" }, part("Terms of the shop", shopTerms()), part("Lately", todayPart())),
    h("div", { class: "side" }, part("The phone, and other devices", devicesPart(signal)), part("On the home screen", homePart()), part("The records as files", filesPart(signal)))));
}
