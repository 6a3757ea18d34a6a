"""Which policies are compared on one machine, and dropping combinations that cannot be part of a best plan.

Compared are, for each fault, the efficient policies, those that begin with a fix that also acts on another
fault here, and, where other work may cure the fault, those that wait for it; none with a last try that costs
more than it can ever bring.
"""

from dataclasses import replace

import numpy as np

from valuer.advice.clusters import Case, Cluster, in_working_order, part_of
from valuer.advice.plans import SAME
from valuer.advice.policies import MOST_TRIES, NO_FIX, BoolArray
from valuer.advice.ports import FloatArray


def compared(case: Case) -> Case:
    """Return the case with the policies that are compared on this machine."""
    if not case.policies:
        return case
    shared = (case.odds > 0).sum(axis=0) > 1
    owner = case.odds.argmax(axis=0)
    worth = most_gained(case)
    policies = []
    for axis, every in enumerate(case.policies):
        begins = every.first != NO_FIX
        touched = bool(case.causes[axis]) or bool((shared & (case.odds[axis] > 0)).any())
        keep = every.efficient & (begins | touched)
        keep |= begins & shared[every.first] & (owner[every.first] == axis)
        keep[0] = axis not in case.forced or len(keep) == 1
        if axis not in case.forced:
            keep = _without_waste(case, axis, float(worth[axis]), keep, shared)
        policies.append(every.only(keep))
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


FEW = 4
"""Combinations of a cluster that are not worth thinning."""


def fitting(cluster: Cluster, hours: float | None, cash: float | None) -> Cluster:
    """Return the cluster without combinations that alone overrun a limit."""
    if hours is None and cash is None:
        return cluster
    fits = cluster.hours <= (np.inf if hours is None else hours + SAME)
    fits &= cluster.worst_cash <= (np.inf if cash is None else cash + SAME)
    return part_of(cluster, np.flatnonzero(fits))


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
