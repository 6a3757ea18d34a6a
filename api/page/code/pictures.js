// Pictures drawn by hand in SVG. Each says in words what it shows; colours come from the style sheet.

import { h, s } from "./dom.js";
import { money } from "./words.js";

/** A picture drawn to the width it is given, and again when that changes; `says` is its description. */
export function picture(says, height, draw) {
  const place = h("div", { class: "picture" });
  let drawn = 0;
  const watcher = new ResizeObserver(([{ contentRect }]) => {
    const width = Math.round(contentRect.width);
    if (!width || width === drawn) return;
    drawn = width;
    place.replaceChildren(s("svg", { role: "img", "aria-label": says, width, height, viewBox: `0 0 ${width} ${height}` },
      draw(width, height)));
  });
  watcher.observe(place);
  return place;
}

/** Round steps that cut 0..most into about `parts` pieces. */
export function steps(most, parts) {
  const rough = most / parts;
  const size = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((each) => each * size).find((each) => each >= rough);
  return Array.from({ length: Math.floor(most / step) + 1 }, (_, place) => place * step);
}

const label = (x, y, words, anchor = "middle", kind = "") => s("text", { x, y, "text-anchor": anchor, class: kind }, words);
const line = (x1, y1, x2, y2, kind) => s("line", { x1, y1, x2, y2, class: kind });
const path = (points, kind) => s("path", { d: points.map(([x, y], place) => `${place ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join(""), class: kind });

/** A steel rule from 0 with the range laid on it and the value marked. */
export function rule({ amount, low, high, currency }) {
  const says = `Value ${money(amount)}, range ${money(low)} to ${money(high)} ${currency}`;
  return picture(says, 84, (width) => {
    const most = high * 1.18;
    const at = (sum) => 14 + (sum / most) * (width - 28);
    const marks = steps(most, width < 420 ? 4 : 8);
    const small = marks[1] / 5;
    const ticks = Array.from({ length: Math.floor(most / small) + 1 }, (_, place) => place * small);
    return [
      s("rect", { x: 1, y: 44, width: width - 2, height: 26, class: "rule" }),
      s("rect", { x: at(low), y: 44, width: at(high) - at(low), height: 26, class: "range" }),
      ticks.map((sum) => line(at(sum), 44, at(sum), 50, "tick")),
      marks.map((sum) => [line(at(sum), 44, at(sum), 54, "tick"), label(at(sum), 66, money(sum), "middle", "small")]),
      s("path", { d: `M${at(amount)} 44l-7 -11h14z`, class: "pointer" }),
      label(Math.min(Math.max(at(amount), 30), width - 30), 26, money(amount), "middle", "big"),
      line(at(low), 40, at(low), 70, "end"), line(at(high), 40, at(high), 70, "end"),
      label(Math.min(at(low), at(amount) - 34), 40, money(low), "end", "small"),
      label(Math.max(at(high), at(amount) + 34), 40, money(high), "start", "small"),
    ];
  });
}

/** A small rule for one row of many: range, value now, value after; all rows share `most`. */
export function rowRule({ low, high, now, after, most }) {
  const at = (sum) => (sum / most) * 100;
  return s("svg", { class: "row-rule", viewBox: "0 0 100 16", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("rect", { x: 0, y: 10, width: 100, height: 6, class: "rule" }),
    s("rect", { x: at(low), y: 10, width: at(high) - at(low), height: 6, class: "range" }),
    after > now && s("rect", { x: at(now), y: 3, width: at(after) - at(now), height: 5, class: "gain" }),
    s("line", { x1: at(now), y1: 0, x2: at(now), y2: 16, class: "mark" }));
}

/** One step of the way from sound to as it stands: a bar from `from` down to `to`, out of `most`. */
export function stepBar(from, to, most, kind) {
  const at = (sum) => (sum / most) * 100;
  const [left, right] = from < to ? [from, to] : [to, from];
  return s("svg", { class: "step-bar", viewBox: "0 0 100 10", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("rect", { x: 0, y: 4.5, width: 100, height: 1, class: "rule" }),
    s("rect", { x: at(left), y: 0, width: Math.max(at(right) - at(left), 0.6), height: 10, class: kind }));
}

function frame(width, height, most, unit) {
  const box = { left: 44, right: width - 12, top: 20, bottom: height - 30 };
  const y = (share) => box.bottom - (share / most) * (box.bottom - box.top);
  const marks = steps(most, 4).filter((each) => each <= most);
  return { box, y, grid: marks.map((each) => [line(box.left, y(each), box.right, y(each), "grid"),
    label(box.left - 6, y(each) + 4, unit(each), "end", "small")]) };
}

/** Chance of a sale within one and four weeks against the ask, left standing. */
export function saleCurve(all, ask) {
  const points = all.filter((each) => each.sold_by_week_4 > 0.02 || each.ask <= ask);
  const [first, last] = [points[0], points.at(-1)];
  const says = `Chance of a sale against the ask. At ${money(first.ask)}: ${Math.round(first.sold_by_week_4 * 100)} % within four weeks; `
    + `at ${money(last.ask)}: ${Math.round(last.sold_by_week_4 * 100)} %. Advised: ${money(ask)}.`;
  return picture(says, 240, (width, height) => {
    const { box, y, grid } = frame(width, height, 1, (share) => `${Math.round(share * 100)} %`);
    const x = (sum) => box.left + ((sum - first.ask) / (last.ask - first.ask || 1)) * (box.right - box.left);
    const marks = steps(last.ask, width < 420 ? 6 : 10).filter((sum) => sum >= first.ask);
    return [grid, marks.map((sum) => label(x(sum), height - 10, money(sum), "middle", "small")),
      line(x(ask), box.top, x(ask), box.bottom, "advised"),
      label(x(ask), box.top - 4, `ask ${money(ask)}`, x(ask) > width - 60 ? "end" : x(ask) < 90 ? "start" : "middle", "small strong"),
      path(points.map((each) => [x(each.ask), y(each.sold_by_week_4)]), "four"),
      path(points.map((each) => [x(each.ask), y(each.sold_by_week_1)]), "one"),
      line(box.right - 130, 32, box.right - 104, 32, "four"), label(box.right - 98, 37, "within 4 weeks", "start", "small four-name"),
      line(box.right - 130, 52, box.right - 104, 52, "one"), label(box.right - 98, 57, "within 1 week", "start", "small one-name")];
  });
}

/** The ask and the least to take, week by week. */
export function weeksPlan(weeks) {
  const top = Math.max(...weeks.map((week) => week.ask)) * 1.15;
  const says = `Plan over ${weeks.length} weeks: ask ${money(weeks[0].ask)} at first, ${money(weeks.at(-1).ask)} at last; `
    + `least to take ${money(weeks[0].least_to_take)} falling to ${money(weeks.at(-1).least_to_take)}.`;
  return picture(says, 200, (width, height) => {
    const { box, y, grid } = frame(width, height, top, money);
    const x = (place) => box.left + (place / weeks.length) * (box.right - box.left);
    const stair = (value) => weeks.flatMap((week, place) => [[x(place), y(value(week))], [x(place + 1), y(value(week))]]);
    const every = width < 420 && weeks.length > 14 ? 4 : weeks.length > 26 ? 4 : 2;
    return [grid, path(stair((week) => week.least_to_take), "least"), path(stair((week) => week.ask), "ask"),
      weeks.map((week, place) => week.cut && s("circle", { cx: x(place), cy: y(week.ask), r: 4, class: "cut" })),
      weeks.map((week, place) => place % every === 0 && label((x(place) + x(place + 1)) / 2, height - 12, week.week, "middle", "small")),
      label(box.right, y(weeks.at(-1).least_to_take) + 16, "least to take", "end", "small least-name"),
      label(box.left + 6, y(weeks[0].ask) - 7, "ask", "start", "small ask-name")];
  });
}

/** Own sales: what was expected (with its range) against what was paid; on the diagonal they are the same. */
export function salesPicture(sales) {
  const most = Math.max(...sales.map((sale) => Math.max(sale.price, sale.high))) * 1.08;
  const inside = sales.filter((sale) => sale.low <= sale.price && sale.price <= sale.high).length;
  const says = `${sales.length} own sales against what was expected; ${inside} fell in the range.`;
  return picture(says, 280, (width, height) => {
    const { box, y, grid } = frame(width, height, most, money);
    const x = (sum) => box.left + (sum / most) * (box.right - box.left);
    return [grid, line(x(0), y(0), x(most), y(most), "same"),
      sales.map((sale) => [line(x(sale.price), y(sale.low), x(sale.price), y(sale.high), "span"),
        s("circle", { cx: x(sale.price), cy: y(sale.predicted), r: 4.5, class: sale.low <= sale.price && sale.price <= sale.high ? "in" : "out" })]),
      steps(most, 5).map((sum) => label(x(sum), height - 12, money(sum), "middle", "small")),
      label(box.right, box.bottom - 6, "price paid", "end", "small"), label(box.left + 4, box.top - 2, "expected that day", "start", "small")];
  });
}

/** How far something moved, to the left or right of nothing, out of `most` percent. */
export function movedBar(percent, unsure, most) {
  const at = (value) => 50 + (Math.max(-most, Math.min(most, value)) / most) * 48;
  const [left, right] = [Math.min(50, at(percent)), Math.max(50, at(percent))];
  return s("svg", { class: "moved-bar", viewBox: "0 0 100 12", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("rect", { x: at(percent - unsure), y: 4.5, width: at(percent + unsure) - at(percent - unsure), height: 3, class: "range" }),
    s("rect", { x: left, y: 1, width: Math.max(right - left, 0.4), height: 10, class: percent < 0 ? "loss" : "gain" }),
    s("line", { x1: 50, y1: 0, x2: 50, y2: 12, class: "mark" }));
}

