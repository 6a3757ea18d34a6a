"""Machines whose true chances of a sale are known, and what any plan of asks is truly worth.

The seller knows a value; the worth is spread round it by the place and by the error of the value. A plan is judged by
its mean over that spread. The best plan knows the simulator and the spread, not the worth itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import EllipsisType
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from valuer.advice.sale.outlook import Outlook, SaleChances, average
from valuer.advice.sale.sale import Sale
from valuer.advice.sale.waiting import follow, roll_back
from valuer.advice.worth.documents import Safety, Value
from valuer.advice.worth.lattice import Lattice
from valuer.domain.shop import ShopTerms
from valuer.market.assumptions import assumptions
from valuer.market.sales import SEVERITY_WORDS
from valuer.market.stock import draw_stock
from valuer.market.visitors import Visitors, visitors_of
from valuer.price_model.listing_table import slowing_levels

Floats = npt.NDArray[np.float64]
T = TypeVar("T")

NODES, _W = np.polynomial.hermite_e.hermegauss(7)
WEIGHTS = _W / _W.sum()
GRID, TURNS = 45, 7
TERMS = ShopTerms(month=5)


@dataclass(frozen=True)
class Truth:
    """The simulator in the place of a model of how listings sell, for one machine."""

    visitors: Visitors
    row: int
    spread: float
    ask_range: tuple[float, float] = (-0.5, 0.65)
    log_odds: float = 0.0

    def shifted(self, log_odds: float) -> Truth:
        """The same where machines sell sooner or later than in the simulator."""
        return replace(self, log_odds=self.log_odds + log_odds)

    def slowing(self, faults: Sequence[tuple[str, str]]) -> Mapping[str, float]:
        """Nothing: what slows a sale is in the visitors."""
        return {}

    def doubt_of(self, sd: float, faults: Mapping[str, float]) -> float:
        """The true log sd of the worth round the value."""
        return self.spread

    def weeks(
        self, ask: Floats, month: Floats, week: Floats, faults: Mapping[str, float], worth: Floats
    ) -> TrueWeeks:
        """Weeks listed at these asks."""
        asks, months, weeks = np.broadcast_arrays(ask, np.intp(month), np.intp(week))
        return TrueWeeks(self, asks, months, weeks, worth)


@dataclass(frozen=True)
class TrueWeeks:
    """Weeks listed in the simulator; ask, month and week of one shape, the worth by node."""

    truth: Truth
    ask: Floats
    month: npt.NDArray[np.intp]
    week: npt.NDArray[np.intp]
    worth: Floats

    def chance(self, least: Floats, at: int | EllipsisType = ...) -> Floats:
        """True chance of a sale."""
        return self.sold(least, at)[0]

    def sold(self, least: Floats, at: int | EllipsisType = ...) -> tuple[Floats, Floats]:
        """The same, and where its price lies between least and ask."""
        visitors, row, month = self.truth.visitors, np.asarray(self.truth.row), self.month[at]
        ask, value = self.ask[at], visitors.worth[row, month - 1]
        least = np.minimum(least, ask)
        sold, price = visitors.week_of(row, month, self.week[at], value + ask, value + least, self.worth)
        room = np.exp(value + ask) - np.exp(value + least)
        share = np.where(room > 1e-9, (price - np.exp(value + least)) / np.maximum(room, 1e-9), 1.0)
        odds = sold / (1 - np.minimum(sold, 1 - 1e-12)) * np.exp(self.truth.log_odds)
        return odds / (1 + odds), share


@dataclass(frozen=True)
class Case:
    """One machine to be listed: its true chances, the month, and the levels of what slows its sale.

    nodes, weights: log ratio of the worth to the value and how likely each is; listed: weeks listed so far.
    """

    truth: Truth
    values: Floats
    month: int
    sd: float
    levels: Mapping[str, float]
    nodes: Floats
    weights: Floats
    listed: int = 0

    def sale(self, chances: SaleChances) -> Sale:
        """The sale as advice sees it with these chances."""
        levels = {} if isinstance(chances, Truth) else self.levels
        outlook = Outlook(chances, self.values, self.month, self.sd, levels)
        return Sale(
            lattice=_nothing(Lattice),
            value=_nothing(Value),
            safety=_nothing(Safety),
            outlook=outlook,
            cost=TERMS.storage_per_week,
            tied_up=TERMS.tied_up_a_year / 52,
            floor=0.0,
        )


def _nothing(kind: type[T]) -> T:
    return object.__new__(kind)


def draw_cases(n: int, seed: int) -> list[Case]:
    """Draw n machines of the simulator, each in a month of its own."""
    a = assumptions()
    rng = np.random.default_rng([seed, 44])
    stock = draw_stock(n, rng, a)
    visitors, months = visitors_of(stock, a), rng.integers(1, 13, n)
    error = a("listing", "value_error")
    spread = float(np.hypot(a("bargain", "town_log_sd"), error))
    cases = []
    for row, month in enumerate(months):
        faults = [
            (a.fault_ids[j], SEVERITY_WORDS[stock.severity[row, j]])
            for j in np.flatnonzero(stock.severity[row])
        ]
        sd = float(np.sqrt(visitors.price_variance[row, month - 1] + error**2))
        values = np.exp(visitors.worth[row])
        truth = Truth(visitors, row, spread)
        cases.append(Case(truth, values, int(month), sd, slowing_levels(faults), NODES * spread, WEIGHTS))
    return cases


def worth_of(case: Case, asks: Sequence[float], least: Sequence[float]) -> tuple[float, Floats, Floats]:
    """True worth of a plan of asks and leasts; with chance and price by week and node, each (weeks, nodes).

    Whoever comes to the end of the plan gets what is left over there.
    """
    sale = case.sale(case.truth)
    chance, price = (np.zeros((len(asks), len(case.nodes))) for _ in range(2))
    for week in range(len(asks)):
        chance[week], price[week] = _at_nodes(case, week, np.asarray(asks[week]), np.asarray(least[week]))
    worth = np.full(len(case.nodes), sale.left_over(len(asks))[-1, 0])
    for week in range(len(asks) - 1, -1, -1):
        waits = (1 - sale.tied_up) * worth - sale.cost
        worth = chance[week] * price[week] + (1 - chance[week]) * waits
    return float(case.weights @ worth), chance, price


def _at_nodes(case: Case, week: int, asks: Floats, least: Floats) -> tuple[Floats, Floats]:
    outlook = case.sale(case.truth).outlook
    value, least = outlook.value_in(week), np.minimum(least, asks)
    worth = case.nodes.reshape(-1, *(1,) * np.broadcast(asks, least).ndim)
    month, count = np.asarray(float(outlook.month_of(week))), np.asarray(case.listed + week + 1.0)
    weeks = case.truth.weeks(np.log(asks / value), month, count, {}, worth)
    chance, share = weeks.sold(np.log(least / value))
    return chance, least + share * (asks - least)


def best_plan(case: Case, weeks: int) -> tuple[float, list[float], list[float]]:
    """Worth, asks and leasts of the best plan found that knows the simulator: any ask, a cut in any week.

    Dynamic programming under what is learned from not selling, and that again from the plan, the two in turn; the best
    of the turns. The true optimum can be no worse.
    """
    sale = case.sale(case.truth)
    grid = case.values[case.month - 1] * np.geomspace(0.55, 1.9, GRID)
    costs = np.full(weeks, sale.cost)
    beliefs = np.tile(case.weights, (weeks, 1))
    best: tuple[float, list[float], list[float]] = (-np.inf, [], [])
    for turn in range(TURNS):

        def week_sale(week: int, least: Floats, known: Floats = beliefs) -> tuple[Floats, Floats]:
            return average(known[week].reshape(-1, 1, 1, 1), *_at_nodes(case, week, grid, least))

        waiting = roll_back(grid[None], week_sale, costs, sale.left_over(weeks), weeks - 1, sale.tied_up)
        plan = follow(waiting)
        asks, least = [week.ask for week in plan], [min(week.least, week.ask) for week in plan]
        worth, chance, _ = worth_of(case, asks, least)
        best = max(best, (worth, asks, least), key=lambda found: found[0])
        learned = _learned(case, chance, weeks)
        beliefs = learned if turn == 0 else (beliefs + learned) / 2
    return best


def _learned(case: Case, chance: Floats, weeks: int) -> Floats:
    left = np.cumprod(np.vstack([np.ones(len(case.nodes)), 1 - chance]), axis=0)[:weeks] * case.weights
    left = np.vstack([left, np.repeat(left[-1:], weeks - len(left), axis=0)])
    return np.asarray(left / left.sum(axis=1, keepdims=True))
