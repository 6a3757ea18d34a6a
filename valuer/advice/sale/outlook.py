"""What a seller may look forward to: chance and price of a sale in each week, averaged over doubt.

The range of a value holds luck between buyers and doubt about the machine and the place. The doubt is spread
over nodes, and each week weighs the nodes by what an ordinary seller would have learned from not having sold
by then: a machine that stands in spring was valued too high, one that stands in January may not have been
looked at. Several starts of one listing, this month and later ones, may stand side by side.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray
from valuer.advice.sale.waiting import SaleOfWeek, Waiting, follow, roll_back

NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
"""Five points of Gauss and Hermite for a standard normal doubt."""

USUAL_WEEKS, USUAL_ASKS, USUAL_CUTS, USUAL_LEFT_OVER, TURNS = 14, 16, 4, 0.35, 3
"""The plan by which a seller learns: weeks, asks looked at, cuts, what is left over as a share of the value,
and how often the plan and what it teaches are fitted to each other. It costs nothing to wait and has no end
of its own, so that what is learned does not depend on anybody's terms."""

Whole = int | NDArray[np.int64]

MID_MONTH, DAYS_IN_MONTH = 14.0, 30.42


class SaleChances(Protocol):
    """What advice needs from a model of how listings sell. Ratios are to the value, in logs."""

    @property
    def ask_range(self) -> tuple[float, float]:
        """Log ratios of ask to value that its listings cover."""

    def slowing(self, faults: Sequence[tuple[str, str]]) -> Mapping[str, float]:
        """How much these (fault, severity) pairs slow a sale, as ``week`` takes it."""

    def doubt_of(self, sd: float, faults: Mapping[str, float]) -> float:
        """Log sd of the worth round a value whose price range stands for this sd; the rest is luck."""

    def shifted(self, log_odds: float) -> "SaleChances":
        """The same where machines sell sooner (above 0) or later: log odds of a sale in a week."""

    def week(
        self,
        ask: FloatArray,
        least: FloatArray,
        month: FloatArray,
        week: FloatArray,
        faults: Mapping[str, float],
        worth: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Chance of a sale in a week (1 is the first), and its place between least (0) and ask (1)."""


@dataclass(frozen=True)
class Outlook:
    """One machine before its listing.

    values: shape (12,), expected sale price by month of the northern year, own money. month: that of the
    first week. sd: of log price round the value. levels: how much faults slow the sale, by the names the
    chances know. listed: weeks it has been listed already, unsold; left_doubt: log sd of the worth that those
    weeks leave, None where there were none. Values, sd and chances are then as learned from them.

    month and listed of shape (s, 1, 1) are several starts side by side, for asks of shape (s, 1, n).
    """

    chances: SaleChances
    values: FloatArray
    month: Whole
    sd: float
    levels: Mapping[str, float]
    listed: Whole = 0
    left_doubt: float | None = None

    @property
    def doubt(self) -> float:
        """Log sd of the worth round the value."""
        known = self.left_doubt
        return self.chances.doubt_of(self.sd, self.levels) if known is None else known

    def month_of(self, week: int) -> int:
        """Month of a week counted from 0, when the listing goes up in the middle of the first month."""
        return int(self.months_of(week))

    @property
    def next_week(self) -> int:
        """Week of the listing that begins now, of one start alone; 1 where it is not listed yet."""
        return int(self.listed) + 1

    def months_of(self, week: Whole) -> NDArray[np.int64]:
        """The same of every start."""
        return (self.month - 1 + (MID_MONTH + 7 * np.asarray(week)) // DAYS_IN_MONTH).astype(
            np.int64
        ) % 12 + 1

    def value_in(self, week: int) -> float:
        """Value in the month of a week counted from 0."""
        return float(self.values[self.month_of(week) - 1])

    def at_nodes(self, week: Whole, asks: FloatArray, least: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Chance of a sale and its price at every node of the doubt, shape (nodes, *shape of asks, least).

        week: one counted from 0, or an array of them in the shape of asks.
        """
        months = self.months_of(week)
        value = self.values[months - 1]
        least = np.minimum(least, asks)
        worth = (NODES * self.doubt).reshape(-1, *(1,) * least.ndim)
        ask_ratio, least_ratio = np.log(asks / value), np.log(np.maximum(least / value, 1e-3))
        month, count = months.astype(np.float64), np.asarray(week + self.listed + 1.0)
        chance, share = self.chances.week(ask_ratio, least_ratio, month, count, self.levels, worth)
        return chance, least + share * (asks - least)

    def sale(self, week: int, asks: FloatArray, least: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Chance of a sale in a week and its expected price, averaged over the doubt that is left by then."""
        return average(self.beliefs(week), *self.at_nodes(week, asks, least))

    def beliefs(self, week: int) -> FloatArray:
        """Weights of the nodes if it has not sold by the start of a week, shape (nodes, *that of month)."""
        if week == 0:
            return self._first
        return np.asarray(self.learned[min(week, len(self.learned) - 1)])

    @property
    def _first(self) -> FloatArray:
        """Weights of the nodes before anything is seen."""
        weights = WEIGHTS.reshape(-1, *(1,) * np.ndim(self.month))
        return np.broadcast_to(weights, (len(NODES), *np.shape(self.month)))

    @cached_property
    def learned(self) -> FloatArray:
        """Weights of the nodes at the start of each week of the plan that would be best in itself."""
        beliefs = np.broadcast_to(self._first, (USUAL_WEEKS + 1, *self._first.shape))
        for turn in range(TURNS):
            learned = self._learned(beliefs)
            beliefs = learned if turn == 0 else (beliefs + learned) / 2
        return beliefs

    def _learned(self, beliefs: FloatArray) -> FloatArray:
        """Weights of the nodes after each week of the plan that would be best under the weights given."""
        lowest = float(self.values.min())
        low, high = np.exp(self.chances.ask_range)
        value = self.values[self.months_of(0) - 1].reshape(-1)
        starts = np.geomspace(
            max(low, 0.6) * np.minimum(value, lowest * 1.2), high * value, USUAL_ASKS, axis=-1
        )
        asks, free = starts.reshape(*np.shape(self.month)[:1], USUAL_ASKS), np.zeros(USUAL_WEEKS)
        left_over = np.full((USUAL_WEEKS + 1, *asks.shape[:-1]), USUAL_LEFT_OVER * lowest)
        waiting = roll_back(asks, believing(self, beliefs), free, left_over, USUAL_CUTS)
        asked, least = (each.reshape(-1, *np.shape(self.month)) for each in _as_followed(waiting))
        weeks = np.arange(USUAL_WEEKS).reshape(-1, *(1,) * np.ndim(self.month))
        unsold = np.moveaxis(1 - self.at_nodes(weeks, asked, least)[0], 0, 1)
        left = np.cumprod(np.concatenate([beliefs[:1], unsold]), axis=0)
        return np.asarray(left / left.sum(axis=1, keepdims=True))


def _as_followed(waiting: Waiting) -> FloatArray:
    """Ask and least of each week of the best plan of every start, the last ones kept to the end, (2, weeks, starts)."""
    alone = waiting.asks.ndim == 1
    plans = [follow(waiting)] if alone else [follow(waiting.of(start)) for start in range(len(waiting.asks))]
    weeks = len(waiting.standing)
    every = [[plan[min(week, len(plan) - 1)] for plan in plans] for week in range(weeks)]
    return np.array(
        [[[at.ask for at in week] for week in every], [[at.least for at in week] for week in every]]
    )


def average(weights: FloatArray, chance: FloatArray, price: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Chance of a sale over the nodes, and the mean price of those sales."""
    weighed = weights.reshape(*weights.shape, *(1,) * (chance.ndim - weights.ndim)) * chance
    sold = weighed.sum(axis=0)
    return sold, (weighed * price).sum(axis=0) / np.maximum(sold, 1e-12)


def believing(outlook: Outlook, beliefs: FloatArray) -> SaleOfWeek:
    """The sale of each week under other weights of the nodes, shape (weeks, nodes, *that of month)."""
    return lambda week, asks, least: average(beliefs[week], *outlook.at_nodes(week, asks, least))
