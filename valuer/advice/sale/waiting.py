"""What waiting is worth: the weeks of a listing rolled back from the last.

Each has an ask and a least to take. In every week the ask stands or is cut, at most so many times; then the
machine sells with some chance at some price, or a week's cost is paid and the next week begins. The least to
take this week is what the next week is worth: an offer below it is beaten by waiting. All sums are prices;
whoever stops gets what is left over without a listing.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from valuer.advice.ports import FloatArray

SaleOfWeek = Callable[[int, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""(week from 0, asks of shape (*s, 1, n), least to take of shape (*s, m, n)) -> chance of a sale and expected price of
that sale, both (*s, m, n); the price is not below the least."""


@dataclass(frozen=True, slots=True)
class WeekPlan:
    """What to do in one week if it has not sold, money; ``chance`` and ``price`` of a sale in it."""

    ask: float
    least: float
    worth: float
    chance: float
    price: float
    stop: bool


@dataclass(frozen=True, slots=True)
class Waiting:
    """Worth of waiting by week, cuts left and ask, shape (weeks + 1, *s, cuts + 1, n); last is what is left.

    s: several starts of a listing side by side, each with its asks, shape (*s, n), and what is left over, shape
    (weeks + 1, *s); none for one alone. standing: the same where the ask stands. least, chance, price: to take in a
    week, and of a sale in it. These are of shape (weeks, *s, cuts + 1, n).
    """

    asks: FloatArray
    left_over: FloatArray
    standing: FloatArray
    worth: FloatArray
    least: FloatArray
    chance: FloatArray
    price: FloatArray

    @property
    def best(self) -> FloatArray:
        """Worth of the best plan from the start, shape (*s,)."""
        return np.asarray(np.maximum(self.standing[0][..., -1, :].max(axis=-1), self.left_over[0]))

    def of(self, start: int) -> "Waiting":
        """That of one of several starts."""
        tables = (self.left_over, self.standing, self.worth, self.least, self.chance, self.price)
        return Waiting(self.asks[start], *(table[:, start] for table in tables))


def roll_back(
    asks: FloatArray,
    sale: SaleOfWeek,
    cost: FloatArray,
    left_over: FloatArray,
    cuts: int,
    tied_up: float = 0.0,
) -> Waiting:
    """Return what waiting is worth for every week, number of cuts left and ask.

    asks: shape (*s, n), rising. cost: of each week, shape (weeks,). left_over: worth of stopping at the start of
    each week and after the last, shape (weeks + 1, *s). tied_up: share of the worth lost by a week of waiting.

    A dearer week, more tied up or an earlier end never raises any of it, as long as ``sale`` is that of
    visitors who do not depend on them: each step is the larger of stopping and w + chance * (price - w),
    which rises with w.

    One offer a week, even between 0 and 1:

    >>> uniform = lambda week, asks, least: (1 - least, (1 + least) / 2)
    >>> float(roll_back(np.ones(1), uniform, np.zeros(3), np.zeros(4), cuts=0).best * 128)
    89.0
    """
    weeks, stop = len(cost), left_over[..., None, None]
    shape = (*asks.shape[:-1], cuts + 1, asks.shape[-1])
    standing, leasts, chances, prices = np.empty((4, weeks, *shape))
    worth = np.empty((weeks + 1, *shape))
    worth[weeks] = stop[weeks]
    for week in range(weeks - 1, -1, -1):
        least = kept(worth[week + 1], cost[week], tied_up)
        chance, price = sale(week, asks[..., None, :], least)
        leasts[week], chances[week], prices[week] = least, chance, price
        standing[week] = np.maximum(least + chance * (price - least), stop[week])
        worth[week] = standing[week]
        cut_to = np.maximum.accumulate(standing[week][..., :-1, :-1], axis=-1)
        worth[week][..., 1:, 1:] = np.maximum(worth[week][..., 1:, 1:], cut_to)
    return Waiting(asks, left_over, standing, worth, leasts, chances, prices)


def kept(next_week: FloatArray, cost: float, tied_up: float) -> FloatArray:
    """Return what next week's worth comes to today: this is the least to take."""
    return np.asarray((1.0 - tied_up) * next_week - cost)


NEXT_TO_NOTHING = 1e-9
"""Share by which one worth has to exceed another to be more: the last bits of a float decide nothing."""


def beats(one: float, other: float) -> bool:
    """Whether one worth is truly more than another."""
    return one > other + NEXT_TO_NOTHING * abs(other)


def best_place(worths: FloatArray) -> int:
    """Place of the largest, the first of those that equal it; shape (n,)."""
    top = float(worths.max())
    return int(np.argmax(worths >= top - NEXT_TO_NOTHING * abs(top)))


def follow(waiting: Waiting) -> tuple[WeekPlan, ...]:
    """Return the best plan for as long as it has not sold; it ends early where stopping is better."""
    weeks, cuts = len(waiting.standing), waiting.standing.shape[1] - 1
    place, left = best_place(waiting.standing[0, cuts]), cuts
    plan = []
    for week in range(weeks):
        if week:
            place, left = _next(waiting, week, place, left)
        tables = (waiting.least, waiting.standing, waiting.chance, waiting.price)
        least, worth, chance, price = (float(table[week, left, place]) for table in tables)
        stop = worth <= float(waiting.left_over[week])
        plan.append(WeekPlan(float(waiting.asks[place]), least, worth, chance, price, stop))
        if stop:
            break
    return tuple(plan)


def _next(waiting: Waiting, week: int, place: int, left: int) -> tuple[int, int]:
    """Return the ask and the cuts left for a week: as before, unless a cut is worth more."""
    standing = waiting.standing[week]
    if left == 0 or place == 0:
        return place, left
    lower = best_place(standing[left - 1, :place])
    if beats(float(standing[left - 1, lower]), float(standing[left, place])):
        return lower, left - 1
    return place, left
