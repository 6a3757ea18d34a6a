"""Which policies are compared on one machine, and dropping those that cannot be part of a best plan.

Compared are, for each fault, the efficient policies, those that begin with a fix that also acts on another
fault here, and, where other work may cure the fault, those that wait for it; none with a last try that costs
more than it can ever bring. Where a fault stands alone, a policy goes when another is at least as good at
every end of what the rest of the plan can do to it: the most and the least that its cure can bring, and which
strip-down is open already. The value of a plan is linear in each, so the ends decide and nothing is lost.
"""

from dataclasses import replace

import numpy as np

from valuer.advice.clusters import Case, Cluster, in_working_order, part_of
from valuer.advice.policies import MOST_TRIES, NO_FIX, BoolArray, Policies, beaten
from valuer.advice.ports import FloatArray

PASSES = 2
"""Rounds of dropping: what is left of one fault's policies narrows what the others' cures can bring."""


def compared(case: Case) -> Case:
    """Return the case with the policies that are compared on this machine."""
    shared = (case.odds > 0).sum(axis=0) > 1
    owner = case.odds.argmax(axis=0)
    worth = most_gained(case)
    policies = []
    for axis, every in enumerate(case.policies):
        begins = every.first != NO_FIX
        touched = bool(case.causes[axis]) or bool((shared & (case.odds[axis] > 0)).any())
        keep = every.efficient & (begins | touched)
        keep |= begins & shared[every.first] & (owner[every.first] == axis)
        keep[0] = True
        policies.append(every.only(_without_waste(case, axis, float(worth[axis]), keep, shared)))
    return replace(case, policies=tuple(policies))


def most_gained(case: Case) -> FloatArray:
    """Return the most that curing each fault can bring, its symptoms' gain included."""
    axes = range(len(case.policies))
    most = np.array(
        [float((np.take(case.proceeds, 0, a) - np.take(case.proceeds, 1, a)).max()) for a in axes]
    )
    for axis in reversed(in_working_order(case, axes)):
        for cause in case.causes[axis]:
            most[cause] += most[axis]
    return most


def _without_waste(case: Case, axis: int, worth: float, keep: BoolArray, shared: BoolArray) -> BoolArray:
    """Drop policies whose last try costs more than it can ever bring; the shorter policy stands in."""
    every, shop = case.policies[axis], case.shop
    tries = (every.later != NO_FIX).sum(axis=1)
    last = np.where(tries > 0, every.later[np.arange(len(tries)), tries - 1], every.first)
    later = tries > 0
    hours = shop.hours[last] + np.where(later, shop.group_hours[shop.groups[last]], 0.0)
    cost = case.price_level * shop.parts[last] + case.hour_value * hours
    cost = np.where(later, case.chances[axis] * cost, cost + case.margin)
    waste = (case.odds[axis, last] * worth <= cost) & (last != NO_FIX) & (later | ~shared[every.first])
    for _ in range(MOST_TRIES):
        keep[every.shorter[keep & waste]] = True
        keep &= ~waste
    return keep


def pruned(case: Case, *, limited: bool) -> Case:
    """Return the case without policies that no best plan needs.

    ``limited``: plans must also be best for every limit on hours and cash, so that a policy goes only if the
    one that beats it needs no more hours and no more cash.
    """
    alone = _alone(case)
    for _ in range(PASSES if alone.any() else 0):
        ends = [_left_ends(case, axis, alone) for axis in range(len(alone))]
        policies = tuple(
            _kept(case, axis, ends, limited=limited) if alone[axis] else p
            for axis, p in enumerate(case.policies)
        )
        case = replace(case, policies=policies)
    return case


def _alone(case: Case) -> BoolArray:
    """Say which faults no other fault's work touches, and whose work touches no other fault."""
    shared = (case.odds > 0).sum(axis=0) > 1
    touched: BoolArray = np.array((case.odds[:, shared] > 0).any(axis=1))
    for axis, causes in enumerate(case.causes):
        touched[[axis] * bool(causes) + list(causes)] = True
    return np.asarray(~touched)


def _left_ends(case: Case, axis: int, alone: BoolArray) -> tuple[float, float]:
    """Return the least and the greatest chance that a fault is left in by any of its policies."""
    if not alone[axis]:
        return 0.0, 1.0
    stays = _stays(case, axis) * (1 - case.policies[axis].cured_later)
    return float(stays.min()), float(stays.max())


def _stays(case: Case, axis: int) -> FloatArray:
    first = case.policies[axis].first
    return np.where(first == NO_FIX, 1.0, 1 - case.odds[axis, first])


def _gain_ends(proceeds: FloatArray, axis: int, ends: list[tuple[float, float]]) -> tuple[float, float]:
    """Return the least and the most that curing a fault brings, over what may be left of the others."""
    gain = np.take(proceeds, 0, axis) - np.take(proceeds, 1, axis)
    for place, (least, most) in enumerate(ends[:axis] + ends[axis + 1 :]):
        if least > 0 or most < 1:
            sound, left = np.take(gain, 0, place), np.take(gain, 1, place)
            gain = np.stack([sound + least * (left - sound), sound + most * (left - sound)], place)
    return float(gain.min()), float(gain.max())


def _kept(case: Case, axis: int, ends: list[tuple[float, float]], *, limited: bool) -> Policies:
    policies, shop = case.policies[axis], case.shop
    if len(policies.first) == 1:
        return policies
    acts = policies.first != NO_FIX
    groups = np.where(acts, shop.groups[policies.first], 0)
    opens = shop.group_hours[groups[:, None] & ~groups[None]]  # hours that policy i opens and j does not
    stays = case.chances[axis] * _stays(case, axis)
    hours = acts * shop.hours[policies.first] + stays * policies.later_hours
    parts = acts * shop.parts[policies.first] + stays * policies.later_parts
    cost = case.price_level * parts + case.hour_value * hours + case.margin * acts
    cures = 1 - _stays(case, axis) * (1 - policies.cured_later)
    no_worse = np.ones_like(opens, dtype=bool)
    for gain in _gain_ends(case.proceeds, axis, ends):
        net = gain * cures - cost
        no_worse &= net[:, None] - case.hour_value * opens >= net[None]
    if limited:
        worst = acts * shop.parts[policies.first] + policies.worst_parts
        no_worse &= (hours[:, None] + opens <= hours[None]) & (worst[:, None] <= worst[None])
    return policies.only(~beaten(no_worse))


FEW = 4
"""Combinations of a cluster that are not worth thinning."""


def thinned(case: Case, cluster: Cluster, *, limited: bool) -> Cluster:
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
        if limited:
            beats &= cluster.hours[best] + opens <= cluster.hours[waiting]
            beats &= cluster.worst_cash[best] <= cluster.worst_cash[waiting]
        waiting = waiting[~beats]
    return part_of(cluster, np.sort(kept))
