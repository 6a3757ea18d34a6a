"""The pictures of the model card: rows with marks on one axis, as SVG written by hand.

No plot library: the same figures give the same bytes whichever versions are installed, and a picture is one file for
light and dark, by what the reader's device prefers. Marks differ by shape, so that colours need not be told apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from html import escape
from typing import Any

from valuer.domain.faults import fault_catalogue

Figures = Mapping[str, Any]
Span = tuple[float, float]

PLOT, TOP, ROW, EDGE = (
    250,
    92,
    20,
    16,
)  # pixels: width of the axis, where rows begin, height of one, what stays free
LETTER = 7.1  # width of a letter, at most about

STYLE = """<style>
text { font: 13px system-ui, -apple-system, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; fill: #1f2328 }
.title { font-size: 16px; font-weight: 600 } .end { text-anchor: end } .mid { text-anchor: middle }
.quiet { fill: #57606a } .page { fill: #ffffff } .band { fill: #e4e9f0 } .grid { stroke: #d0d7de }
.dot, .bar { fill: #0a58a8 } .join { stroke: #57606a; stroke-width: 2 }
.ring { fill: #ffffff; stroke: #1f2328; stroke-width: 1.6 }
@media (prefers-color-scheme: dark) {
text { fill: #e6edf3 }
.quiet { fill: #9aa4af } .page { fill: #0d1117 } .band { fill: #232b37 } .grid { stroke: #3d444d }
.dot, .bar { fill: #79b8ff } .join { stroke: #9aa4af }
.ring { fill: #0d1117; stroke: #e6edf3 }
}
</style>"""


@dataclass(frozen=True)
class Row:
    """One row: what it is, its marks on the axis, and a note at its end."""

    label: str
    dot: float | None = None
    ring: float | None = None
    bar: Span | None = None
    note: str = ""


@dataclass(frozen=True)
class Picture:
    """A picture of the card: `name` of its file, `says` in one plain sentence what it shows.

    axis: what is counted along it; ticks: from its left end to its right; band: what is shaded from top to bottom.
    key: what each kind of mark stands for.
    """

    name: str
    title: str
    says: str
    axis: str
    ticks: tuple[int, ...]
    rows: tuple[Row, ...]
    key: tuple[tuple[str, str], ...]
    band: Span | None = None

    @property
    def svg(self) -> str:
        """The file's text; the same for the same figures, byte for byte."""
        bottom = TOP + ROW * len(self.rows)
        size = f'width="{self._width}" height="{bottom + 34}" viewBox="0 0 {self._width} {bottom + 34}"'
        return "\n".join(
            (
                f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img">',
                f"<title>{escape(self.title)}</title>",
                f"<desc>{escape(self.says)}</desc>",
                STYLE,
                _rect("page", 0, bottom + 34, 0, self._width),
                _text(EDGE, 28, self.title, "title"),
                *self._key(),
                *([_rect("band", TOP, bottom, *map(self._x, self.band))] if self.band else []),
                *(part for tick in self.ticks for part in self._tick(tick, bottom)),
                _text(EDGE, TOP - 12, self.axis, "quiet"),
                *(
                    part
                    for number, row in enumerate(self.rows)
                    for part in self._row(row, TOP + ROW * number)
                ),
                "</svg>\n",
            )
        )

    @property
    def _left(self) -> int:
        """Where the axis begins: right of the longest label."""
        return 2 * EDGE + math.ceil(LETTER * max(len(self.axis), *(len(row.label) for row in self.rows)))

    @property
    def _width(self) -> int:
        notes = math.ceil(LETTER * max(len(row.note) for row in self.rows))
        return self._left + PLOT + 2 * EDGE + notes

    def _x(self, value: float) -> float:
        low, high = self.ticks[0], self.ticks[-1]
        return self._left + PLOT * (value - low) / (high - low)

    def _tick(self, tick: int, bottom: float) -> Iterator[str]:
        x = self._x(tick)
        yield f'<path class="grid" d="M{x:.1f} {TOP}V{bottom}"/>'
        for y in (TOP - 12, bottom + 20):
            yield _text(x, y, str(tick), "quiet mid")

    def _row(self, row: Row, top: float) -> Iterator[str]:
        middle = top + ROW / 2
        yield _text(EDGE, middle + 4.5, row.label)
        if row.bar:
            yield _rect("bar", middle - 5, middle + 5, *map(self._x, row.bar))
        if row.dot is not None and row.ring is not None:
            yield f'<path class="join" d="M{self._x(row.dot):.1f} {middle:.1f}H{self._x(row.ring):.1f}"/>'
        for mark, value in (("ring", row.ring), ("dot", row.dot)):
            if value is not None:
                yield _mark(mark, self._x(value), middle)
        yield _text(self._width - EDGE, middle + 4.5, row.note, "quiet end")

    def _key(self) -> Iterator[str]:
        x = EDGE + 6.0
        for mark, stands_for in self.key:
            yield _rect(mark, 45, 55, x - 6, x + 6) if mark in ("bar", "band") else _mark(mark, x, 50)
            yield _text(x + 12, 54.5, stands_for, "quiet")
            x += 40 + LETTER * len(stands_for)


def pictures(metrics: Figures) -> tuple[Picture, ...]:
    """The pictures that these figures can be drawn as; what was not measured has none."""
    price, correction = metrics.get("price", {}), metrics.get("correction", {})
    return (
        *([fault_costs(price["fault_costs"])] if "fault_costs" in price else []),
        *([coverage(price["groups"], len(price["seeds"]))] if "groups" in price else []),
        *([own_range(correction), decisions(correction)] if correction else []),
    )


def fault_costs(costs: Mapping[str, Mapping[str, float]]) -> Picture:
    """What curing each fault brings, estimated against true; `costs` by fault id, in money."""
    names = fault_catalogue()
    dearest = sorted(costs.items(), key=lambda item: (-item[1]["true"], item[0]))
    off = {fault: cost["estimate"] / cost["true"] - 1 for fault, cost in dearest}
    near = sum(abs(share) <= NEAR for share in off.values())
    worst = max(off, key=lambda fault: abs(off[fault]))
    return Picture(
        "fault_costs",
        "What a fault takes off: estimated against true",
        f"Of {len(off)} faults the model puts {near} within a fifth of what they truly take off in the invented "
        "market, on average over the machines that have them; furthest off is "
        f"“{names[worst].name}” ({_signed(off[worst])}).",
        "money off a machine",
        _ticks(max(max(cost["estimate"], cost["true"]) for cost in costs.values())),
        tuple(
            Row(names[fault].name, cost["estimate"], cost["true"], note=_signed(off[fault]))
            for fault, cost in dearest
        ),
        (("dot", "estimated"), ("ring", "true")),
    )


NEAR = 0.2
"""The goal for the bias of one fault in the price benchmark."""


def coverage(groups: Iterable[Figures], seeds: int) -> Picture:
    """How often the range of 8 in 10 holds the price, by kind of machine."""
    low, high = 76, 84  # the goal for a group in the price benchmark
    percent = {group["group"]: 100 * group["coverage"] for group in groups}
    sales = {group["group"]: group["rows"] for group in groups}
    many = {name: held for name, held in percent.items() if sales[name] >= MANY * seeds}
    inside = sum(low <= held <= high for held in many.values())
    worst = min(many, key=lambda name: many[name])
    return Picture(
        "coverage",
        "How often the range of 8 in 10 holds the price",
        f"In {inside} of {len(many)} groups with many sales the range holds {low} to {high} of 100 prices, as it "
        f"should; lowest is “{_words(worst)}” with {many[worst]:.0f}. Of a group of few sales a picture says little.",
        "sales inside the range, of 100",
        tuple(range(10 * math.floor(min(70, *percent.values()) / 10), 101, 10)),
        tuple(
            Row(_words(name), **{"dot" if name in many else "ring": held}, note=f"{sales[name]:,} sales")
            for name, held in percent.items()
        ),
        (("dot", "many sales"), ("ring", "few sales"), ("band", f"{low} to {high}")),
        (low, high),
    )


MANY = 300
"""Sales a seed from which a group's coverage has a goal in the price benchmark."""


def own_range(correction: Figures) -> Picture:
    """How wide the range is in markets that the model never saw, from the first day to many own sales."""
    ends = {n: math.exp(width / 2) for n, width in _by_size(correction["width"])}
    held = dict(_by_size(correction["coverage"]))
    first, last = min(ends), max(ends)
    return Picture(
        "own_range",
        "The range around a machine valued at 100",
        f"On the first day it runs from {100 / ends[first]:.0f} to {100 * ends[first]:.0f}, after {last} own sales "
        f"from {100 / ends[last]:.0f} to {100 * ends[last]:.0f}: the mean width over {correction['markets']} invented "
        f"markets that the model never saw, where it held {held[first]:.0f} and {held[last]:.0f} of 100 sales.",
        "money",
        _ticks(100 * max(ends.values())),
        tuple(
            Row(_after(n), ring=100, bar=(100 / end, 100 * end), note=f"held {held[n]:.0f} of 100")
            for n, end in ends.items()
        ),
        (("bar", "range of 8 in 10"), ("ring", "value")),
    )


def decisions(correction: Figures) -> Picture:
    """What deciding by the values brings in markets that the model never saw, from the first day on."""
    share = {n: 100 * part for n, part in _by_size(correction["share"])}
    first, last = min(share), max(share)
    return Picture(
        "decisions",
        "What own sales do to decisions",
        "Of 100 that somebody would gain by repairing who knew what every buyer pays, deciding by the values brings "
        f"{share[first]:.0f} on the first day and {share[last]:.0f} after {last} own sales, over "
        f"{correction['markets']} invented markets that the model never saw.",
        "of 100 that could be gained",
        (0, 20, 40, 60, 80, 100),
        tuple(Row(_after(n), bar=(0, part), note=f"{part:.0f} of 100") for n, part in share.items()),
        (("bar", "gained"), ("band", "not gained")),
        (0, 100),
    )


def _by_size(figures: Mapping[str, float]) -> list[tuple[int, float]]:
    """Figures by number of own sales, fewest first."""
    return sorted((int(n), value) for n, value in figures.items())


def _after(own_sales: int) -> str:
    return f"after {own_sales} own sales" if own_sales else "first day, no own sales"


def _words(group: str) -> str:
    return group.replace("_", " ")


def _ticks(most: float) -> tuple[int, ...]:
    """Ticks from 0 to `most` or the next above it, six steps at most.

    >>> _ticks(83.0)
    (0, 20, 40, 60, 80, 100)
    """
    steps = (number * 10**power for power in range(9) for number in (1, 2, 5))
    step = next(step for step in steps if most <= 6 * step)
    return tuple(range(0, step * math.ceil(most / step) + 1, step))


def _signed(share: float) -> str:
    """A share in percent with its sign; nothing is neither more nor less.

    >>> _signed(-0.163), _signed(-0.001)
    ('-16 %', '0 %')
    """
    percent = round(100 * share)
    return f"{percent:+d} %" if percent else "0 %"


def _rect(kind: str, top: float, bottom: float, left: float, right: float) -> str:
    return f'<rect class="{kind}" x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"/>'


def _mark(kind: str, x: float, y: float) -> str:
    return f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{3.5 if kind == "dot" else 5:g}"/>'


def _text(x: float, y: float, text: str, kind: str = "label") -> str:
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}">{escape(text)}</text>'
