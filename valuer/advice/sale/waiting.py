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
"""(week from 0, asks of shape (n,), least to take of shape (m, n)) -> chance of a sale and expected price of
that sale, both (m, n); the price is not below the least."""


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
    """Worth of waiting by week, cuts left and ask, shape (weeks + 1, cuts + 1, n); last is what is left.

    standing: the same where the ask stands. least, chance, price: to take in a week, and of a sale in it. These are
    of shape (weeks, cuts + 1, n).
    """

    asks: FloatArray
    left_over: FloatArray
    standing: FloatArray
    worth: FloatArray
    least: FloatArray
    chance: FloatArray
    price: FloatArray

    @property
    def best(self) -> float:
        """Worth of the best plan from the start."""
        return float(max(self.standing[0, -1].max(), self.left_over[0]))


def roll_back(
    asks: FloatArray,
    sale: SaleOfWeek,
    cost: FloatArray,
    left_over: FloatArray,
    cuts: int,
    tied_up: float = 0.0,
) -> Waiting:
    """Return what waiting is worth for every week, number of cuts left and ask.

    asks: shape (n,), rising. cost: of each week, shape (weeks,). left_over: worth of stopping at the start of
    each week and after the last, shape (weeks + 1,). tied_up: share of the worth lost by a week of waiting.

    A dearer week, more tied up or an earlier end never raises any of it, as long as ``sale`` is that of
    visitors who do not depend on them: each step is the larger of stopping and w + chance * (price - w),
    which rises with w.

    One offer a week, even between 0 and 1:

    >>> uniform = lambda week, asks, least: (1 - least, (1 + least) / 2)
    >>> roll_back(np.ones(1), uniform, np.zeros(3), np.zeros(4), cuts=0).best * 128
    89.0
    """
    weeks, n = len(cost), len(asks)
    standing, leasts, chances, prices = np.empty((4, weeks, cuts + 1, n))
    worth = np.empty((weeks + 1, cuts + 1, n))
    worth[weeks] = left_over[weeks]
    for week in range(weeks - 1, -1, -1):
        least = kept(worth[week + 1], cost[week], tied_up)
        chance, price = sale(week, asks, least)
        leasts[week], chances[week], prices[week] = least, chance, price
        standing[week] = np.maximum(least + chance * (price - least), left_over[week])
        worth[week] = standing[week]
        for k in range(1, cuts + 1):
            cut_to = np.maximum.accumulate(standing[week, k - 1])
            worth[week, k, 1:] = np.maximum(worth[week, k, 1:], cut_to[:-1])
    return Waiting(asks, left_over, standing, worth, leasts, chances, prices)


def kept(next_week: FloatArray, cost: float, tied_up: float) -> FloatArray:
    """Return what next week's worth comes to today: this is the least to take."""
    return np.asarray((1.0 - tied_up) * next_week - cost)


def follow(waiting: Waiting) -> tuple[WeekPlan, ...]:
    """Return the best plan for as long as it has not sold; it ends early where stopping is better."""
    weeks, cuts = len(waiting.standing), waiting.standing.shape[1] - 1
    place, left = int(waiting.standing[0, cuts].argmax()), cuts
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
    lower = int(standing[left - 1, :place].argmax())
    if standing[left - 1, lower] > standing[left, place] * (1 + 1e-9):
        return lower, left - 1
    return place, left
