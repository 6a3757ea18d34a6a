// A stopwatch for a blade that runs on: three runs, one large button.

import { button, h, refill } from "./dom.js";
import { dialog } from "./safety.js";

const RUNS = 3;

/** Take three runs and hand them over in seconds. The moment of the touch counts, not that of the answer to it. */
export function stopwatch(title, cautions, taken) {
  const runs = [];
  let began = null;
  let ticking = null;
  const shown = h("p", { class: "watch-time", "aria-hidden": "true" }, "0.0");
  const list = h("ol", { class: "watch-runs", "aria-live": "polite" });
  const touch = (event) => {
    event.preventDefault();
    if (runs.length === RUNS) return;
    if (began === null) {
      began = event.timeStamp;
      ticking = setInterval(() => { shown.textContent = ((performance.now() - began) / 1000).toFixed(1); }, 100);
    } else {
      clearInterval(ticking);
      runs.push(Number(((event.timeStamp - began) / 1000).toFixed(1)));
      began = null;
    }
    draw();
  };
  const large = button("", () => {}, { class: "watch-button" });
  large.addEventListener("pointerdown", touch);
  large.addEventListener("keydown", (event) => { if ((event.key === " " || event.key === "Enter") && !event.repeat) touch(event); });
  const keep = button("Write the three down", () => { close(); return taken(runs); });
  const again = button("Take the last again", () => { runs.pop(); draw(); }, { class: "quiet" });
  const draw = () => {
    if (began === null && runs.length) shown.textContent = runs.at(-1).toFixed(1);
    refill(large, began !== null ? "Blade stands: stop" : runs.length === RUNS ? "Three runs taken" : `Run ${runs.length + 1}: bar let go, start`);
    large.disabled = runs.length === RUNS;
    refill(list, runs.map((run) => h("li", {}, `${run.toFixed(1)} s`)));
    keep.disabled = runs.length < RUNS;
    again.disabled = !runs.length || began !== null;
  };
  draw();
  const close = dialog(title, [cautions, h("p", {}, "Engine warm, full speed, from behind the handle. Touch when the bar is let go, and again when the blade stands. A film with sound is surer than a thumb: where a run comes near the limit, film it."),
    large, shown, list], [keep, again]);
}
