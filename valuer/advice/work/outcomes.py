"""How a plan can turn out: the ends of its outcome tree, and the chance that it loses money."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.clusters import EXPLAINS, Case, in_working_order
from valuer.advice.work.policies import IntArray
from valuer.advice.work.search import Plan

MOST_ENDS = 20_000
"""Ends of a tree worked out one by one; beyond it a fault's later tries count at their expected cost."""


class Ends(NamedTuple):
    """The ends of a plan's outcome tree, arrays of shape (n,).

    ``chance`` sums to 1; ``left`` is the subset of faults left in, as its place in the flattened lattice;
    ``cost`` is that of the later tries, own hours paid.
    """

    chance: FloatArray
    left: IntArray
    cost: FloatArray


class Branch(NamedTuple):
    """One way the work on a fault can go: its chance, whether the fault is left in, cost of later tries."""

    chance: float
    left: int
    cost: float


def ends(case: Case, plan: Plan) -> Ends:
    """Return every way the plan can turn out. The chances sum to 1."""
    count = len(case.policies)
    chance, left, cost = np.ones(1), np.zeros(1, dtype=np.int64), np.zeros(1)
    for axis in in_working_order(case, range(count)):
        bit = 1 << (count - 1 - axis)
        causes = sum(1 << (count - 1 - cause) for cause in case.causes[axis])
        branches = _branches(case, plan, axis)
        if len(chance) * len(branches) > MOST_ENDS:
            branches = _merged(branches)
        free = (left & causes) == 0
        chance, left, cost = (
            np.concatenate([kept[~free], *grown])
            for kept, grown in (
                (chance, [chance[free] * branch.chance for branch in branches]),
                (left | np.where(free, 0, bit), [left[free] | bit * branch.left for branch in branches]),
                (cost, [cost[free] + branch.cost for branch in branches]),
            )
        )
    return Ends(chance, left, cost)


def _branches(case: Case, plan: Plan, axis: int) -> list[Branch]:
    """Return how the work on one fault can go, once its causes are gone."""
    stays = float(np.prod(1 - case.odds[axis, list(plan.first)]))
    stays *= 1 - EXPLAINS if case.causes[axis] else 1.0
    there, doubt = case.chances[axis] * stays, (1 - case.chances[axis]) * stays
    branches, cost = [Branch(1 - stays, 0, 0.0)], 0.0
    for place in plan.later(axis):
        cost += _cost(case, place)
        branches.append(Branch(there * case.odds[axis, place], 0, cost))
        there *= 1 - case.odds[axis, place]
        doubt *= 1 - case.odds[axis, place]
    branches += [Branch(there, 1, cost), Branch(doubt, 1, 0.0)]
    return [branch for branch in branches if branch.chance > 0]


def _merged(branches: Sequence[Branch]) -> list[Branch]:
    merged = []
    for left in (0, 1):
        alike = [branch for branch in branches if branch.left == left]
        chance = sum(branch.chance for branch in alike)
        if chance > 0:
            merged.append(Branch(chance, left, sum(b.chance * b.cost for b in alike) / chance))
    return merged


def _cost(case: Case, place: int) -> float:
    shop = case.shop
    return case.price_level * float(shop.parts[place]) + case.hour_value * shop.hours_alone(place)


def first_round_cost(case: Case, plan: Plan) -> float:
    """Return what the plan costs before anything is known: parts and own hours, strip-down once."""
    shop, places = case.shop, list(plan.first)
    opened = int(np.bitwise_or.reduce(shop.groups[places], initial=0))
    hours = float(shop.hours[places].sum() + shop.group_hours[opened])
    return case.price_level * float(shop.parts[places].sum()) + case.hour_value * hours


def chance_of_loss(case: Case, plan: Plan, noise: float, selling: float) -> float:
    """Return the chance that the plan leaves less than selling as it stands was expected to; 0 for no work.

    The sale price after the work is log-normal around its expectation, ``noise`` the standard deviation of
    its logarithm; which fixes hold, and what the later tries cost, varies by the outcome tree. ``selling`` is
    the cost of selling, which falls due either way.
    """
    if not plan.works:
        return 0.0
    tree = ends(case, plan)
    price = np.maximum(case.proceeds.ravel()[tree.left] + selling, 1e-9)
    needed = np.maximum(case.now + selling + tree.cost + first_round_cost(case, plan), 1e-9)
    return float(np.clip((tree.chance * _chance_below(np.log(needed / price), noise)).sum(), 0, 1))


def _chance_below(distance: FloatArray, noise: float) -> FloatArray:
    if noise <= 0:
        return np.asarray(np.heaviside(distance, 0.0))
    from scipy.special import ndtr  # noqa: PLC0415  a tenth of a second that validation errors need not wait for

    return np.asarray(ndtr(distance / noise))
