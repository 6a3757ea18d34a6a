"""A population of invented markets: whole markets drawn from the ranges that the assumptions carry.

Nobody knows which market a user sells in. Each assumption says how far two people who know the trade would disagree;
a drawn market takes every one of them anew. What buyers fear together moves together: a part of every draw is common
to all faults, a part to the faults of one kind, a part is the fault's own. Half of the markets are of another form
altogether (`plain_market`), because the form is an assumption too.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np

from valuer.market.assumptions import SEVERITY_COLUMNS, Assumptions, Floats
from valuer.market.buyers import Buyers
from valuer.market.plain_market import draw_plain_market
from valuer.market.stock import Stock

LogPrice = Callable[[Stock], Floats]
"""Mean log price of every machine of a stock, shape (n,)."""

Z90 = 1.2815515655446004
"""The ends of a range are the middle 80 % of what people would say: this many standard deviations away."""

COMMON, OF_A_KIND, OF_ITS_OWN = 0.15, 0.2, 0.2
"""Log sd of what a fault takes off: of all faults, of one kind, of each; together the +/-40 % of the columns
(common practice, no source; how it divides is invented)."""

PRICED = ("remaining", "bargain", "new_price", "place")
"""Sections that say what a machine brings; the others say what stands for sale and how it is listed."""


def draw_markets(n: int, seed: int, a: Assumptions) -> Iterator[LogPrice]:
    """Draw n markets; the same seed gives the same markets."""
    for number in range(n):
        rng = np.random.default_rng([seed, number])
        yield _drawn_form(rng, a) if number % 2 == 0 else draw_plain_market(rng, a)


def _drawn_form(rng: np.random.Generator, a: Assumptions) -> LogPrice:
    """A market of the simulator's own form with every assumption drawn."""
    drawn = drawn_assumptions(rng, a)
    buyers, level = Buyers(drawn), np.log(drawn("place", "level"))
    return lambda stock: level + buyers.outcomes(stock).expected_log_price()


def drawn_assumptions(rng: np.random.Generator, a: Assumptions) -> Assumptions:
    """The assumptions with every figure about prices drawn from its range."""
    raw = copy.deepcopy(a.raw)
    for section in PRICED:
        for entry in raw[section].values():
            entry["value"] = in_range(rng, entry)
    depth = float(np.exp(rng.normal(0.0, 0.25)))
    for series in ("runner_price", "fixer_price"):
        raw["season"][series]["value"] = (a.series("season", series) ** depth).tolist()
    for row in raw["class"].values():
        row["floor"] *= float(np.exp(rng.normal(0.0, 0.22 / Z90)))
    for row in raw["buyer"].values():
        for key, sd in (("come", 0.25), ("taste", 0.05), ("nerves", 0.15)):
            row[key] *= float(np.exp(rng.normal(0.0, sd)))
    _draw_faults(rng, raw)
    return Assumptions(raw)


def in_range(rng: np.random.Generator, entry: Mapping[str, Any]) -> float:
    """One figure drawn about its value: a tenth of the draws beyond either end of its range, none far beyond."""
    value, (low, high) = float(entry["value"]), entry["range"]
    z = float(np.clip(rng.normal(), -2.0, 2.0)) / Z90
    drawn = float(value + z * (high - value if z > 0 else value - low))
    return max(drawn, low / 2) if low > 0 else drawn


def _draw_faults(rng: np.random.Generator, raw: dict[str, Any]) -> None:
    groups = sorted({row["group"] for row in raw["fault"].values()})
    common = rng.normal(0.0, COMMON, len(SEVERITY_COLUMNS))
    of_kind = {group: rng.normal(0.0, OF_A_KIND) for group in groups}
    for row in raw["fault"].values():
        own = rng.normal(0.0, OF_ITS_OWN)
        for column, shared in zip(SEVERITY_COLUMNS, common, strict=True):
            factor = float(np.exp(shared + of_kind[row["group"]] + own))
            most = 0.99 if column == "walks" else np.inf
            row[column] = [min(x * factor, most) for x in row[column]]
