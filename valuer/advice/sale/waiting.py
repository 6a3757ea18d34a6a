"""What waiting is worth: the weeks of a listing rolled back from the last.

Each has an ask and a least to take. In every week the ask stands or is cut, at most so many times; then the
machine sells with some chance at some price, or a week's cost is paid and the next week begins. The least to
take this week is what the next week is worth: an offer below it is beaten by waiting. All sums are prices;
whoever stops gets what is left over without a listing. Several starts of a listing are rolled back side by side.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray

SaleOfWeek = Callable[[int, FloatArray], tuple[FloatArray, FloatArray]]
"""(week from 0, least to take of shape (s, m, n)) -> chance of a sale and expected price of that sale, both (s, m, n),
for s starts, m cuts left and n asks; the price is not below the least."""


@dataclass(frozen=True, slots=True)
class WeekPlan:
    """What to do in one week if it has not sold, money; ``chance`` and ``price`` of a sale in it."""

    ask: float
    least: float
    worth: float
    chance: float
    price: float
    stop: bool


@dataclass(frozen=True)
class Waiting:
    """Worth of waiting where the ask stands, by week, start, cuts left and ask, shape (weeks, s, cuts + 1, n).

    least, chance, price: to take in that week, and of a sale in it. asks: of each start, shape (s, n). left_over: by
    stopping at the start of a week and after the last, shape (weeks + 1, s). Where more cuts are made than weeks are
    over all are nan.
    """

    asks: FloatArray
    left_over: FloatArray
    standing: FloatArray
    least: FloatArray
    chance: FloatArray
    price: FloatArray

    @property
    def best(self) -> FloatArray:
        """Worth of the best plan from the start, shape (s,)."""
        return np.asarray(np.maximum(self.standing[0, :, -1].max(axis=-1), self.left_over[0]))

    @cached_property
    def way(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Cuts left and place of the ask in each week of the best plan, each of shape (weeks, s).

        The ask is as before, unless a cut is worth more.
        """
        weeks, count, rows, asks = self.standing.shape
        starts, left = np.arange(count), np.full((weeks, count), rows - 1)
        place = np.tile(best_place(self.standing[0, :, -1]), (weeks, 1))
        for week in range(1, weeks):
            standing, at, cuts = self.standing[week], place[week - 1], left[week - 1]
            below = (np.arange(asks) < at[:, None]) & (cuts > 0)[:, None]
            lower = np.where(below, standing[starts, cuts - 1], -np.inf)
            cut = beats(lower.max(axis=-1), standing[starts, cuts, at])
            place[week], left[week] = np.where(cut, best_place(lower), at), cuts - cut
        return left, place

    def along(self, table: FloatArray) -> FloatArray:
        """What one of the tables has on the way of the best plan, shape (weeks, s)."""
        weeks, starts = np.ogrid[: table.shape[0], : table.shape[1]]
        return np.asarray(table[weeks, starts, *self.way])

    @property
    def asked(self) -> FloatArray:
        """The ask in each week of the best plan, shape (weeks, s)."""
        return np.take_along_axis(self.asks.T, self.way[1], axis=0)

    @property
    def stops(self) -> NDArray[np.bool_]:
        """Whether stopping is better than that, shape (weeks, s)."""
        return np.asarray(self.along(self.standing) <= self.left_over[:-1])


def roll_back(
    asks: FloatArray,
    sale: SaleOfWeek,
    cost: FloatArray,
    left_over: FloatArray,
    cuts: int,
    tied_up: float = 0.0,
) -> Waiting:
    """Return what waiting is worth for every week, start, number of cuts left and ask.

    asks: shape (s, n), rising. cost: of each week, shape (weeks,). left_over: worth of stopping at the start of
    each week and after the last, shape (weeks + 1, s). tied_up: share of the worth lost by a week of waiting.

    A dearer week, more tied up or an earlier end never raises any of it, as long as ``sale`` is that of
    visitors who do not depend on them: each step is the larger of stopping and w + chance * (price - w),
    which rises with w.

    One offer a week, even between 0 and 1:

    >>> uniform = lambda week, least: (1 - least, (1 + least) / 2)
    >>> float(roll_back(np.ones((1, 1)), uniform, np.zeros(3), np.zeros((4, 1)), cuts=0).best[0] * 128)
    89.0
    """
    weeks, stop = len(cost), left_over[..., None, None]
    cuts = min(cuts, weeks - 1)
    found = np.full((4, weeks, len(asks), cuts + 1, asks.shape[1]), np.nan)
    worth = np.broadcast_to(stop[weeks], found.shape[2:])
    for week in range(weeks - 1, -1, -1):
        # No more cuts were made than weeks are over, and none can be made that has no week left.
        first, last = max(cuts - week, 0), min(cuts, weeks - 1 - week)
        least = kept(worth[:, first : last + 1], cost[week], tied_up)
        chance, price = sale(week, least)
        standing = np.maximum(least + chance * (price - least), stop[week])
        here = found[:, week]
        here[:, :, first : last + 1] = standing, least, chance, price
        here[:, :, last + 1 :] = here[:, :, last : last + 1]
        worth = here[0].copy()
        cut_to = np.maximum.accumulate(worth[:, :-1, :-1], axis=-1)
        worth[:, 1:, 1:] = np.maximum(worth[:, 1:, 1:], cut_to)
    return Waiting(asks, left_over, *found)


def kept(next_week: FloatArray, cost: float, tied_up: float) -> FloatArray:
    """Return what next week's worth comes to today: this is the least to take."""
    return np.asarray((1.0 - tied_up) * next_week - cost)


NEXT_TO_NOTHING = 1e-9
"""Share by which one worth has to exceed another to be more: the last bits of a float decide nothing."""


def beats(one: FloatArray | float, other: FloatArray | float) -> NDArray[np.bool_]:
    """Whether one worth is truly more than another."""
    return np.asarray(one > other + NEXT_TO_NOTHING * np.abs(other))


def best_place(worths: FloatArray) -> NDArray[np.intp]:
    """Place of the largest along the last axis, the first of those that equal it."""
    top = worths.max(axis=-1, keepdims=True)
    return np.asarray((worths >= top - NEXT_TO_NOTHING * np.abs(top)).argmax(axis=-1))


def follow(waiting: Waiting, start: int = 0) -> tuple[WeekPlan, ...]:
    """Return the best plan of a start for as long as it has not sold; it ends early where stopping is better."""
    tables = (waiting.least, waiting.standing, waiting.chance, waiting.price)
    columns = (waiting.asked, *map(waiting.along, tables), waiting.stops)
    weeks = zip(*(column[:, start].tolist() for column in columns), strict=True)
    return tuple(WeekPlan(*week) for week in weeks)[: int(_ends(waiting)[start]) + 1]


def as_followed(waiting: Waiting) -> tuple[FloatArray, FloatArray]:
    """Return ask and least of each week of every start's best plan, the last ones kept to the end; each (weeks, s)."""
    weeks, starts = np.ogrid[: len(waiting.stops), : len(waiting.asks)]
    told = np.minimum(weeks, _ends(waiting))
    asked, least = waiting.asked[told, starts], waiting.along(waiting.least)[told, starts]
    return asked, np.minimum(least, asked)


def _ends(waiting: Waiting) -> NDArray[np.intp]:
    """The last week of every start's best plan, shape (s,)."""
    stops = waiting.stops
    return np.where(stops.any(axis=0), stops.argmax(axis=0), len(stops) - 1)
