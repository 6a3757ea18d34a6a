"""At most one plan a machine under shared limits on hours and cash: the best choice, or what a better one could add.

The Lagrangian relaxation gives an hour and a unit of cash a price. Whatever these are, a choice gains no more than the
limits are worth at them plus, machine by machine, the best plan's gain less the price of what it uses; what a plan
falls short of its machine's best is its regret, and a choice falls short of that bound by its regrets at least (Fisher,
Management Science 27(1), 1981; from memory). Prices that make the bound least leave few plans that can be in a choice
better than one already at hand, and these few are gone through, machine by machine.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.tree import SAME
from valuer.advice.work.workshop import IntArray

MOST_BEGUN = 20_000
"""Choices begun that are kept side by side; where there are more, those that can bring most are."""

STEPS = 30
"""Steps by which a price is found, to a millionth of the dearest: any price proves a bound, one a little off leaves a
few plans more to go through."""


@dataclass(frozen=True, slots=True, eq=False)
class Offers:
    """What plans one machine brings; arrays of shape (n_plans,), all equal in length, possibly empty."""

    gain: FloatArray
    hours: FloatArray
    cash: FloatArray


@dataclass(frozen=True, slots=True)
class Choice:
    """The plan chosen for each machine (None: none), the total gain, and what a better choice could add."""

    plans: tuple[int | None, ...]
    gain: float
    gap: float


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """All that can be done about m machines, each with nothing to do first: one of its own is chosen for each.

    gain and owner, shape (n,), the machines in turn; used (n_limits, n), limits (n_limits,); first (m,) is where each
    machine's begin.
    """

    gain: FloatArray
    used: FloatArray
    owner: IntArray
    limits: FloatArray
    first: IntArray

    def regrets(self, prices: FloatArray) -> tuple[float, FloatArray]:
        """Return what no choice can exceed, proved by some prices, and how far each plan keeps it below, shape (n,)."""
        net = self.gain - prices @ self.used
        best = np.maximum.reduceat(net, self.first)
        return float(prices @ self.limits + best.sum()), best[self.owner] - net


def best_choice(machines: Sequence[Offers], hours: float | None, cash: float | None) -> Choice:
    """Return the choice of highest total gain, at most one plan a machine, within the limits.

    The multiple-choice knapsack; the gap is 0 where it is proved best. None for a limit means there is none. Raises
    ValueError for a limit below 0.
    """
    if min(hours or 0.0, cash or 0.0) < 0:
        raise ValueError(f"hours and cash must be 0 or more, got {hours} and {cash}")
    if not machines:
        return Choice((), 0.0, 0.0)
    table = _table(machines, hours, cash)
    prices = _prices(table)
    chosen, gap = _searched(table, prices, _greedy(table, prices))
    return Choice(
        tuple(None if place == 0 else place - 1 for place in (chosen - table.first).tolist()),
        float(table.gain[chosen].sum()),
        gap,
    )


def _table(machines: Sequence[Offers], hours: float | None, cash: float | None) -> Table:
    nothing = np.zeros(1)
    gain, *used = (
        np.concatenate([part for offers in machines for part in (nothing, getattr(offers, name))])
        for name in ("gain", "hours", "cash")
    )
    bound = [(each, limit) for each, limit in zip(used, (hours, cash), strict=True) if limit is not None]
    counts = [1 + len(offers.gain) for offers in machines]
    return Table(
        gain=gain,
        used=np.array([each for each, _ in bound]).reshape(len(bound), len(gain)),
        owner=np.repeat(np.arange(len(machines)), counts),
        limits=np.array([limit + SAME for _, limit in bound]),
        first=np.cumsum([0, *counts[:-1]]),
    )


def _prices(table: Table, found: tuple[float, ...] = ()) -> FloatArray:
    """Return prices of the limits, shape (n_limits,), that make what no choice can exceed about as small as it can be.

    ``found`` are those of the last limits.
    """
    place = len(table.limits) - len(found) - 1
    if place < 0:
        return np.array(found)

    def bound(price: float) -> float:
        return table.regrets(_prices(table, (price, *found)))[0]

    using = table.used[place] > 0
    dearest = float(
        (table.gain[using] / table.used[place][using]).max(initial=0.0)
    )  # no plan that uses any pays
    return _prices(table, (_least(bound, dearest), *found))


def _least(value: Callable[[float], float], high: float) -> float:
    """Return about where a convex function is least between 0 and an end, by golden section; 0 where it is there."""
    low, end, share = 0.0, value(0.0), (5**0.5 - 1) / 2
    left, right = high - share * high, share * high
    at_left, at_right = value(left), value(right)
    for _ in range(STEPS):
        if at_left <= at_right:
            high, right, at_right = right, left, at_left
            left = high - share * (high - low)
            at_left = value(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + share * (high - low)
            at_right = value(right)
    least = left if at_left <= at_right else right
    return 0.0 if end <= min(at_left, at_right) else least


def _greedy(table: Table, prices: FloatArray) -> IntArray:
    """Return a choice that fits, shape (m,): each machine's best at the prices, the most that fits in that order."""
    net = table.gain - prices @ table.used
    left, chosen = table.limits.copy(), table.first.copy()
    for place in np.lexsort((-table.gain, -net)).tolist():
        machine = table.owner[place]
        if chosen[machine] == table.first[machine] and (table.used[:, place] <= left).all():
            left -= table.used[:, place]
            chosen[machine] = place
    return chosen


def _searched(table: Table, prices: FloatArray, chosen: IntArray) -> tuple[IntArray, float]:
    """Return the best choice, shape (m,): the one at hand where none is better; and what a better one could add.

    Machine by machine, choices are begun with each of its plans. Those that do not fit are given up, and those whose
    regrets leave no room for more than the choice at hand brings.
    """
    bound, regret = table.regrets(prices)
    room = bound - float(table.gain[chosen].sum()) - SAME
    plans = np.flatnonzero(regret < room)
    counts = np.bincount(table.owner[plans], minlength=len(chosen))
    if (counts == 0).any():
        return chosen, 0.0
    sure = plans[counts[table.owner[plans]] == 1]
    gain, regrets = (each[sure].sum(keepdims=True) for each in (table.gain, regret))
    left = (table.limits - table.used[:, sure].sum(axis=1))[:, None]
    if (left < 0).any():  # every better choice would have these plans, and they do not fit
        return chosen, 0.0
    steps, given_up = list[tuple[IntArray, IntArray]](), np.inf
    for own in _decisive_first(
        [own for own in np.split(plans, np.cumsum(counts)[:-1]) if len(own) > 1], regret
    ):
        gain = np.add.outer(gain, table.gain[own]).ravel()
        regrets = np.add.outer(regrets, regret[own]).ravel()
        left = (left[:, :, None] - table.used[:, None, own]).reshape(len(left), -1)
        kept = np.flatnonzero((left >= 0).all(axis=0) & (regrets < room))
        if len(kept) > MOST_BEGUN:
            kept = kept[np.argsort(regrets[kept], kind="stable")]
            given_up = min(given_up, float(regrets[kept[MOST_BEGUN]]))
            kept = kept[:MOST_BEGUN]
        gain, regrets, left = gain[kept], regrets[kept], left[:, kept]
        steps.append((own[kept % len(own)], kept // len(own)))
    found = _put_together(table, sure, steps, int(gain.argmax())) if len(gain) else chosen
    return found, max(0.0, bound - given_up - float(table.gain[found].sum()))


def _decisive_first(machines: list[IntArray], regret: FloatArray) -> list[IntArray]:
    """Return the machines' plans, those first where more than one plan is soon regretted: few choices are begun."""
    return sorted(machines, key=lambda own: -np.partition(regret[own], 1)[1])


def _put_together(
    table: Table, sure: IntArray, steps: Sequence[tuple[IntArray, IntArray]], at: int
) -> IntArray:
    """Return the choice, shape (m,), that ends at a place; steps tell the plans and the places they came from."""
    found = table.first.copy()
    found[table.owner[sure]] = sure
    for plan, before in reversed(steps):
        found[table.owner[plan[at]]] = plan[at]
        at = int(before[at])
    return found
