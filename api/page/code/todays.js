// What was written down today and lately: each can be taken back, the newest first.

import { button, h, refill } from "./dom.js";
import { at } from "./plain.js";
import { deeds, takeBack } from "./records.js";
import { wrote } from "./slip.js";
import { trouble } from "./trouble.js";
import { count } from "./words.js";

/** A fold that reads the deeds when it is opened. */
export function todayPart(days = 0) {
  const place = h("div", {});
  const draw = async () => {
    try {
      const done = (await deeds(days)).filter(({ undone }) => !undone);
      refill(place, done.length ? h("ol", { class: "past" }, done.map(item)) : h("p", {}, "Nothing yet."),
        done.length > 1 ? button(`Take all ${done.length} back`, () => all(done), { class: "stop" }) : null,
        days ? null : button("The last 14 days", () => { days = 14; draw(); }, { class: "quiet" }));
    } catch (error) {
      refill(place, trouble(error, draw));
    }
  };
  const item = (deed) => h("li", {}, h("time", { datetime: deed.at }, clock(deed.at, days)), " ", deed.id ? h("a", { href: at(deed.id) }, deed.id) : null, ` ${deed.words} `,
    button("Take back", () => back([deed]), { class: "quiet", "aria-label": `Take back: ${deed.id} ${deed.words}` }));
  const back = async (some) => {
    let taken = 0;
    try {
      for (const deed of some) {
        await takeBack(deed.number);
        taken += 1;
      }
      wrote(`${count(taken, "deed", "deeds")} taken back.`);
    } catch (error) {
      wrote(`${taken ? `${count(taken, "deed", "deeds")} taken back. ` : ""}Not taken back: ${error.message}`);
    }
    window.dispatchEvent(new Event("records-changed"));
    await draw();
  };
  const all = (done) => (confirm(`Take all ${done.length} back, the newest first?`) ? back(done) : null);
  return h("details", { class: "todays", "data-own": "todays", on: { toggle: ({ target }) => { if (target.open) draw(); } } }, h("summary", {}, "Written down today"), place);
}

const clock = (moment, days) => new Date(moment).toLocaleString("en-GB", days ? { dateStyle: "short", timeStyle: "short" } : { timeStyle: "short" });
