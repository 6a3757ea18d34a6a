"""What a seller may look forward to: chance and price of a sale in each week, averaged over doubt.

The range of a value holds luck between buyers and doubt about the machine and the place. The doubt is spread
over nodes, and each week weighs the nodes by what an ordinary seller would have learned from not having sold
by then: a machine that stands in spring was valued too high, one that stands in January may not have been
looked at. Several starts of one listing, this month and later ones, may stand side by side.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import EllipsisType
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray
from valuer.advice.sale.waiting import SaleOfWeek, as_followed, roll_back

NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
"""Five points of Gauss and Hermite for a standard normal doubt."""

USUAL_WEEKS, USUAL_ASKS, USUAL_CUTS, USUAL_LEFT_OVER, TURNS = 14, 16, 4, 0.35, 3
"""The plan by which a seller learns: weeks, asks looked at, cuts, what is left over as a share of the value,
and how often the plan and what it teaches are fitted to each other. It costs nothing to wait and has no end
of its own, so that what is learned does not depend on anybody's terms."""

Whole = int | NDArray[np.int64]
Place = int | EllipsisType

MID_MONTH, DAYS_IN_MONTH = 14.0, 30.42


class SaleChances(Protocol):
    """What advice needs from a model of how listings sell. Ratios are to the value, in logs."""

    @property
    def ask_range(self) -> tuple[float, float]:
        """Log ratios of ask to value that its listings cover."""

    def slowing(self, faults: Sequence[tuple[str, str]]) -> Mapping[str, float]:
        """How much these (fault, severity) pairs slow a sale, as ``weeks`` takes it."""

    def doubt_of(self, sd: float, faults: Mapping[str, float]) -> float:
        """Log sd of the worth round a value whose price range stands for this sd; the rest is luck."""

    def shifted(self, log_odds: float) -> "SaleChances":
        """The same where machines sell sooner (above 0) or later: log odds of a sale in a week."""

    def weeks(
        self,
        ask: FloatArray,
        month: FloatArray,
        week: FloatArray,
        faults: Mapping[str, float],
        worth: FloatArray,
    ) -> "ListedWeeks":
        """Weeks listed at some asks (1 is the first week), as many as there are, all told at once; they broadcast."""


class ListedWeeks(Protocol):
    """Weeks of a listing but for the least to take. ``at``: one place of their first axis alone."""

    def chance(self, least: FloatArray, at: Place = ...) -> FloatArray:
        """Chance of a sale in a week."""

    def sold(self, least: FloatArray, at: Place = ...) -> tuple[FloatArray, FloatArray]:
        """The same, and the place of its price between least (0) and ask (1)."""


@dataclass(frozen=True)
class Outlook:
    """One machine before its listing.

    values: shape (12,), expected sale price by month of the northern year, own money. month: that of the
    first week. sd: of log price round the value. levels: how much faults slow the sale, by the names the
    chances know. listed: weeks it has been listed already, unsold; left_doubt: log sd of the worth that those
    weeks leave, None where there were none. Values, sd and chances are then as learned from them.

    month and listed of shape (s,) are several starts side by side; a number is one.
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
        passed = (MID_MONTH + 7 * np.asarray(week)) // DAYS_IN_MONTH
        return (self.month - 1 + passed).astype(np.int64) % 12 + 1

    def value_in(self, week: int) -> float:
        """Value in the month of a week counted from 0."""
        return float(self.values[self.month_of(week) - 1])

    def values_in(self, weeks: int) -> FloatArray:
        """The same of so many weeks and every start, shape (weeks, s)."""
        return np.asarray(self.values[self.months_of(np.arange(weeks)[:, None]) - 1])

    def prospect(self, asks: FloatArray, weeks: int) -> "Prospect":
        """What so many weeks hold at the asks of each start, shape (s, n), or of each week too, (weeks, s, n)."""
        week = np.arange(weeks)[:, None]
        month, count = (
            np.reshape(each, (weeks, 1, -1, 1, 1))
            for each in (self.months_of(week), week + self.listed + 1.0)
        )
        values, worth = self.values[month - 1], (NODES * self.doubt).reshape(-1, 1, 1, 1)
        ratio = np.log(asks[..., None, :, None, :] / values)
        listed = self.chances.weeks(ratio, month, count, self.levels, worth)
        return Prospect(asks[..., None, :], values, listed)

    @cached_property
    def learned(self) -> FloatArray:
        """Weights of the nodes at the start of each week of the plan that would be best in itself.

        Shape (weeks + 1, nodes, s, 1, 1).
        """
        lowest, value = float(self.values.min()), self.values_in(1)[0]
        low, high = np.exp(self.chances.ask_range)
        asks = np.geomspace(
            max(low, 0.6) * np.minimum(value, lowest * 1.2), high * value, USUAL_ASKS, axis=-1
        )
        prospect, free = self.prospect(asks, USUAL_WEEKS), np.zeros(USUAL_WEEKS)
        left_over = np.full((USUAL_WEEKS + 1, len(asks)), USUAL_LEFT_OVER * lowest)
        first = np.broadcast_to(WEIGHTS.reshape(-1, 1, 1, 1), (len(WEIGHTS), len(asks), 1, 1))
        beliefs = np.broadcast_to(first, (USUAL_WEEKS + 1, *first.shape))
        for turn in range(TURNS):
            best = roll_back(asks, prospect.believing(beliefs), free, left_over, USUAL_CUTS)
            asked, least = as_followed(best)
            sold = self.prospect(asked[..., None], USUAL_WEEKS).chance(least[:, None, :, None, None])
            left = np.cumprod(np.concatenate([first[None], 1 - sold]), axis=0)
            learned = left / left.sum(axis=1, keepdims=True)
            beliefs = learned if turn == 0 else (beliefs + learned) / 2
        return beliefs


@dataclass(frozen=True)
class Prospect:
    """What all weeks of a listing hold at given asks, told at once; the least to take is named when it is known.

    asks: shape (s, 1, n), or (weeks, s, 1, n); values: (weeks, 1, s, 1, 1); listed: weeks by node, start and ask.
    """

    asks: FloatArray
    values: FloatArray
    listed: ListedWeeks

    def chance(self, least: FloatArray, at: Place = ...) -> FloatArray:
        """Chance of a sale at every node of the doubt, shape (weeks, nodes, s, m, n), of one week without the first.

        least: (s, m, n), or what broadcasts to the whole.
        """
        return self.listed.chance(self._ratio(least, at), at)

    def sold(self, least: FloatArray, at: Place = ...) -> tuple[FloatArray, FloatArray]:
        """The same, and the place of its price between least (0) and ask (1)."""
        return self.listed.sold(self._ratio(least, at), at)

    def _ratio(self, least: FloatArray, at: Place) -> FloatArray:
        return np.asarray(np.log(np.maximum(least / self.values[at], 1e-3)))

    def believing(self, beliefs: FloatArray) -> SaleOfWeek:
        """The sale of each week under weights of the nodes by week as `learned` has them, the last kept to the end."""

        def sale(week: int, least: FloatArray) -> tuple[FloatArray, FloatArray]:
            least = np.minimum(least, self.asks)
            chance, share = average(beliefs[min(week, len(beliefs) - 1)], *self.sold(least, week))
            return chance, least + share * (self.asks - least)

        return sale


def average(weights: FloatArray, chance: FloatArray, each: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Chance of a sale over the nodes, the first axis, and the mean of something over those sales."""
    weighed = weights * chance
    sold = weighed.sum(axis=0)
    weighed *= each
    return sold, weighed.sum(axis=0) / np.maximum(sold, 1e-12)
