"""Which policies are compared on one machine, and dropping what provably is in no best plan.

Nothing is dropped by rule of thumb. A policy goes only when any plan that holds it can be changed into one
without it that leaves at least as much money and uses no more of the limits that are asked about: expected
hours, worst-case cash. So the best plan within any narrower limit stays as well.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.clusters import Case, Cluster, in_working_order, part_of
from valuer.advice.work.plans import FREE, Limits
from valuer.advice.work.policies import NO_FIX, BoolArray, IntArray, Policies


def possible(case: Case) -> Case:
    """Return the case without policies that are none.

    Waiting for what other work leaves is a policy only where other work may cure the fault; a fault that is
    not to be left without work has no policy of leaving it, unless nothing can be done.
    """
    policies = []
    for axis, every in enumerate(case.policies):
        keep = (every.first != NO_FIX) | _may_wait(case, axis)
        keep[0] = axis not in case.forced or not keep[1:].any()
        policies.append(every.only(keep))
    return replace(case, policies=tuple(policies))


def _within(case: Case, limits: Limits) -> Case:
    """Drop policies that overrun a limit by themselves; a fault that is not to be left keeps all."""
    shop, policies = case.shop, []
    for axis, every in enumerate(case.policies):
        acts = every.first != NO_FIX
        worst = case.price_level * (acts * shop.parts[every.first] + every.worst_parts)
        fits = limits.allow(acts * shop.hours[every.first], worst)
        policies.append(every if axis in case.forced else every.only(fits))
    return replace(case, policies=tuple(policies))


def _shared(case: Case) -> BoolArray:
    """Mark the fixes that act on more than one of the faults."""
    return np.asarray((case.odds > 0).sum(axis=0) > 1)


def _may_wait(case: Case, axis: int) -> bool:
    return bool(case.causes[axis]) or bool((_shared(case) & (case.odds[axis] > 0)).any())


def compared(case: Case, limits: Limits = FREE) -> Case:
    """Return the case with the policies of which some best plan consists, and others not proved needless."""
    if not case.policies:
        return case
    case = _within(possible(case), limits)
    gains = gains_of(case)
    case = _without_waste(case, gains, limits)
    shared = _shared(case)
    policies = [
        every.only(_not_replaced(Swap(case, axis, gains, shared, limits))) if _touched(case, axis) else every
        for axis, every in enumerate(case.policies)
    ]
    return replace(case, policies=tuple(policies))


def _touched(case: Case, axis: int) -> bool:
    """Say whether the fault may stand in a cluster with others; alone, `thinned` does all there is to do."""
    others = np.delete(case.odds, axis, 0) > 0
    causes = bool(case.causes[axis]) or any(axis in causes for causes in case.causes)
    return causes or bool((others & (case.odds[axis] > 0)).any())


class Gains(NamedTuple):
    """The least and the most that curing each fault can bring, whatever else is left in; shape (k,).

    Curing a cause frees its symptoms, which then may go too: the most holds their gain, the least does not,
    as a symptom need not be worked on (unless it must, which may then cost).
    """

    least: FloatArray
    most: FloatArray


def gains_of(case: Case) -> Gains:
    """Return what curing each fault can bring."""
    axes = range(len(case.policies))
    steps = [np.take(case.proceeds, 0, axis) - np.take(case.proceeds, 1, axis) for axis in axes]
    least = np.array([float(step.min()) for step in steps])
    most = np.array([max(float(step.max()), 0.0) for step in steps])
    for axis in reversed(in_working_order(case, axes)):
        dearest = float(_later_cost(case, axis).max()) if axis in case.forced else 0.0
        for cause in case.causes[axis]:
            most[cause] += most[axis]
            least[cause] = min(least[cause], 0.0) - dearest if dearest else least[cause]
    return Gains(least, most)


def _later_cost(case: Case, axis: int) -> FloatArray:
    """Return what the later tries of each policy cost, once the first round has left the fault in."""
    every = case.policies[axis]
    cost = case.price_level * every.later_parts + case.hour_value * every.later_hours
    return np.asarray(case.chances[axis] * cost)


def _without_waste(case: Case, gains: Gains, limits: Limits) -> Case:
    """Drop fixes from the first round that cost more than they can bring on all the faults they act on."""
    places = np.flatnonzero((case.odds > 0).any(axis=0))
    alone, waste = np.eye(len(places), dtype=bool), np.zeros(len(case.shop.names), dtype=bool)
    waste[places] = _wasteful(case, gains, limits, range(len(case.policies)), places, alone)
    policies = tuple(p.only((p.first == NO_FIX) | ~waste[p.first]) for p in case.policies)
    return replace(case, policies=policies)


def _wasteful(
    case: Case, gains: Gains, limits: Limits, axes: Sequence[int], places: IntArray, does: BoolArray
) -> BoolArray:
    """Say which first rounds, shape (n, places), overrun a limit or hold a fix that costs more than it can bring.

    It can bring the gains of the faults, as far as the round's other fixes leave them. Without it a fault
    waits, which it must be able to. Where hours are short, later tries that come up more often without it may
    not take more hours than it saves; where they might, the fix is credited with all that the policies it is
    part of can bring.
    """
    shop = case.shop
    found = ~limits.allow(does @ shop.hours[places], case.price_level * (does @ shop.parts[places]))
    most, odds = gains.most[list(axes)], case.odds[list(axes)][:, places]
    longest, surest = _later_ends(case, axes)
    cost = case.price_level * shop.parts[places] + case.hour_value * shop.hours[places] + case.margin
    needed = [i for i, axis in enumerate(axes) if axis in case.forced or not _may_wait(case, axis)]
    for column in np.flatnonzero(does.any(axis=0) & ~(odds[needed] > 0).any(axis=0)).tolist():
        acts = np.flatnonzero(odds[:, column])
        own = odds[acts, column]
        rows = np.flatnonzero(does[:, column] & ~found)
        left = np.ones((len(rows), len(acts)))
        for other in np.flatnonzero(does[rows].any(axis=0) & (odds[acts] > 0).any(axis=0)).tolist():
            if other != column:
                left *= 1 - does[rows, other, None] * odds[acts, other]
        brings = left @ (own * most[acts])
        if limits.hours is not None:
            more_hours = left @ (own * longest[acts]) > shop.hours[places[column]]
            with_later = left @ ((1 - (1 - own) * (1 - surest[acts])) * most[acts])
            brings = np.where(more_hours, with_later, brings)
        found[rows] = brings <= cost[column]
    return found


def _later_ends(case: Case, axes: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """Return the most hours that later tries on each fault may take, and their best odds together."""
    hours = [float((case.chances[axis] * case.policies[axis].later_hours).max()) for axis in axes]
    return np.array(hours), np.array([float(case.policies[axis].cured_later.max()) for axis in axes])


@dataclass(frozen=True, slots=True, eq=False)
class Swap:
    """One fault whose policies are compared with one another; ``shared`` marks fixes that act on others too."""

    case: Case
    axis: int
    gains: Gains
    shared: BoolArray
    limits: Limits

    @property
    def policies(self) -> Policies:
        """The policies of the fault."""
        return self.case.policies[self.axis]


def _not_replaced(swap: Swap) -> BoolArray:
    """Mark the policies that no other can replace in every plan.

    What one brings is linear in the gain of a cure and in the chance that all other work leaves the fault, so
    that one no worse at the ends of both ranges is no worse between them.
    """
    better = _may_replace(swap) & _no_worse(swap)
    np.fill_diagonal(better, val=False)
    alive = np.ones(len(better), dtype=bool)
    for place in np.flatnonzero(better.any(axis=0))[::-1]:
        alive[place] = not (better[:, place] & alive).any()
    return alive


@dataclass(frozen=True, slots=True, eq=False)
class Needless:
    """What goes within a cluster, once the whole first round is known."""

    case: Case
    gains: Gains
    limits: Limits

    def replaced(self, axis: int) -> BoolArray:
        """Say which policy (row) leaves no less than which (column) that begins with the same fix."""
        first = self.case.policies[axis].first
        swap = Swap(self.case, axis, self.gains, _shared(self.case), self.limits)
        better = _no_worse(swap) & (first[:, None] == first)
        order = np.arange(len(first))
        return np.asarray(better & (~better.T | (order[:, None] < order)))

    def wasteful(self, axes: tuple[int, ...], places: IntArray, does: BoolArray) -> BoolArray:
        """Say which first rounds hold a fix that costs more than it can bring in them."""
        return _wasteful(self.case, self.gains, self.limits, axes, places, does)


def needless(case: Case, limits: Limits = FREE) -> Needless:
    """Return what may be left out of the clusters of a case."""
    return Needless(case, gains_of(case), limits)


def _may_replace(swap: Swap) -> BoolArray:
    """Say which policy (row) changes nothing for other faults when it replaces which (column).

    Both begin with the same fix, or with fixes that act on no other fault; and the later tries are no fixes
    that other faults may want done first, unless they stand in the replaced policy too.
    """
    first, later, shared = swap.policies.first, swap.policies.later, swap.shared
    own = (first == NO_FIX) | ~shared[first]
    same = (first[:, None] == first) | (own[:, None] & own)
    there = (later[:, None, :, None] == later[None, :, None, :]).any(axis=3)
    free = (later == NO_FIX) | ~shared[later]
    return np.asarray(same & (there | free[:, None, :]).all(axis=2))


def _no_worse(swap: Swap) -> BoolArray:
    """Say which policy (row) leaves no less money than which (column), and uses no more of what is bound."""
    case, axis, every, shop = swap.case, swap.axis, swap.policies, swap.case.shop
    acts = every.first != NO_FIX
    stays = np.where(acts, 1 - case.odds[axis, every.first], 1.0)
    parts, hours = acts * shop.parts[every.first], acts * shop.hours[every.first]
    groups = acts * shop.groups[every.first]
    opens = shop.group_hours[groups[:, None] & ~groups]
    at_once = case.price_level * parts + case.hour_value * hours + case.margin * acts
    fine = np.ones(opens.shape, dtype=bool)
    for reach in (_least_reach(swap), 1.0):
        for gain in (swap.gains.least[axis], swap.gains.most[axis]):
            lost = reach * stays * ((1 - every.cured_later) * gain + _later_cost(case, axis)) + at_once
            fine &= lost[:, None] + case.hour_value * opens <= lost
        if swap.limits.hours is not None:
            expected = hours + reach * stays * case.chances[axis] * every.later_hours
            fine &= expected[:, None] + opens <= expected
    if swap.limits.hours is not None and any(axis in causes for causes in case.causes):
        left = stays * (1 - every.cured_later)  # what frees a symptom makes its later tries more likely
        fine &= left[:, None] >= left
    if swap.limits.cash is not None:
        worst = parts + every.worst_parts
        fine &= worst[:, None] <= worst
    return fine


def _least_reach(swap: Swap) -> float:
    """Return the least chance that all other work leaves the fault to its own policy."""
    if swap.case.causes[swap.axis]:
        return 0.0
    return float(np.prod(1 - swap.case.odds[swap.axis, swap.shared]))


FEW = 4
"""Combinations of a cluster that are not worth thinning."""


def fitting(cluster: Cluster, limits: Limits) -> Cluster:
    """Return the cluster without combinations that alone overrun a limit."""
    if limits == FREE:
        return cluster
    return part_of(cluster, np.flatnonzero(limits.allow(cluster.hours, cluster.worst_cash)))


def thinned(case: Case, cluster: Cluster, limits: Limits = FREE) -> Cluster:
    """Return the cluster without combinations that another one beats, whatever is left of the other faults.

    Each combination is valued with every subset of the other faults left in; as clusters do not touch, the
    value of a plan is an average of these, so one that is no better in any of them is no better at all.
    """
    if len(cluster.choice) <= FEW:
        return cluster
    others = [axis for axis in range(case.proceeds.ndim) if axis not in cluster.axes]
    sales = case.proceeds.transpose((*cluster.axes, *others)).reshape(cluster.left.shape[1], -1)
    cost = cluster.cash + case.hour_value * cluster.hours + case.margin * cluster.fixes
    net = cluster.left @ sales - cost[:, None]
    waiting = np.argsort(-net.mean(axis=1), kind="stable")
    kept = []
    while len(waiting):
        best, waiting = waiting[0], waiting[1:]
        kept.append(best)
        opens = case.shop.group_hours[cluster.groups[best] & ~cluster.groups[waiting]]
        beats = ((net[best] - case.hour_value * opens[:, None]) >= net[waiting]).all(axis=1)
        if limits.hours is not None:
            beats &= cluster.hours[best] + opens <= cluster.hours[waiting]
        if limits.cash is not None:
            beats &= cluster.worst_cash[best] <= cluster.worst_cash[waiting]
        waiting = waiting[~beats]
    return part_of(cluster, np.sort(kept))
