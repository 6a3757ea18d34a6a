"""Every plan for one machine: a policy for each fault, valued together with odds, fallbacks and shared work.

A plan's first round does the first tries of all its policies in one go: a fix named by several faults is done
once and acts on every fault it can cure, and shared strip-down is counted once. Then each fault that is still
there gets the later tries of its own policy. The expected sale of all plans comes from weighing the lattice
along each cluster of faults, which is exact.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce
from math import prod
from typing import NamedTuple

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.clusters import Case, Cluster, part_of
from valuer.advice.work.policies import BoolArray

MOST_PLANS = 1 << 20
"""Plans held at a time; more are valued in pieces."""

SAME = 1e-9
"""Money below which two plans count as equal: the one with fewer hours is taken."""


class Limits(NamedTuple):
    """What a plan may use: expected bench hours, as an evening may run over; worst-case cash, as a purse may not.

    Own money; None for no limit.
    Where there is one, a plan may not use more of it than the plan it takes the place of.
    """

    hours: float | None = None
    cash: float | None = None

    def allow(self, hours: FloatArray, cash: FloatArray) -> BoolArray:
        """Say which of several needs, arrays of one shape, are within the limits."""
        fits = hours <= (np.inf if self.hours is None else self.hours + SAME)
        return np.asarray(fits & (cash <= (np.inf if self.cash is None else self.cash + SAME)))


FREE = Limits()


@dataclass(frozen=True, slots=True, eq=False)
class Plans:
    """All plans of one machine. Arrays have shape (n_plans,), expected unless named worst, in own money.

    ``returns`` is what a plan brings over leaving everything as it is, own hours paid; ``score`` is the same
    less the margin that every fix of its first round must clear.
    """

    case: Case
    clusters: tuple[Cluster, ...]
    proceeds: FloatArray
    hours: FloatArray
    cash: FloatArray
    worst_hours: FloatArray
    worst_cash: FloatArray
    returns: FloatArray
    score: FloatArray

    def choice(self, plan: int) -> tuple[int, ...]:
        """Return the policy of each fault in one plan."""
        places = np.unravel_index(plan, [len(cluster.choice) for cluster in self.clusters])
        chosen: dict[int, int] = {}
        for cluster, place in zip(self.clusters, places, strict=True):
            chosen.update(zip(cluster.axes, cluster.choice[place].tolist(), strict=True))
        return tuple(chosen[axis] for axis in range(len(chosen)))


def every_plan(case: Case, together: tuple[Cluster, ...]) -> Plans:
    """Value every combination of the clusters' combinations."""
    order = [axis for cluster in together for axis in cluster.axes]
    weighed = case.proceeds.transpose(order)
    for cluster in together:
        weighed = (cluster.left @ weighed.reshape(cluster.left.shape[1], -1)).T
    proceeds = weighed.ravel()
    open_hours = case.shop.group_hours[_joined(together, "groups", np.bitwise_or)]
    hours = _joined(together, "hours", np.add) + open_hours
    cash = _joined(together, "cash", np.add)
    returns = proceeds - cash - case.hour_value * hours - case.now
    return Plans(
        case=case,
        clusters=together,
        proceeds=proceeds,
        hours=hours,
        cash=cash,
        worst_hours=_joined(together, "worst_hours", np.add) + open_hours,
        worst_cash=_joined(together, "worst_cash", np.add),
        returns=returns,
        score=returns - case.margin * _joined(together, "fixes", np.add),
    )


def _joined(together: tuple[Cluster, ...], name: str, join: np.ufunc) -> FloatArray:
    columns = [getattr(cluster, name) for cluster in together]
    return np.asarray(reduce(join.outer, columns)).ravel() if columns else np.zeros(1, dtype=np.int64)


def plans_in_pieces(case: Case, together: tuple[Cluster, ...]) -> Iterator[Plans]:
    """Value every plan, no more than `MOST_PLANS` at a time: the largest cluster is taken in slices."""
    sizes = [len(cluster.choice) for cluster in together]
    if prod(sizes) <= MOST_PLANS:
        yield every_plan(case, together)
        return
    largest = int(np.argmax(sizes))
    step = max(1, MOST_PLANS * sizes[largest] // prod(sizes))
    for start in range(0, sizes[largest], step):
        piece = part_of(together[largest], slice(start, start + step))
        yield from plans_in_pieces(case, (*together[:largest], piece, *together[largest + 1 :]))


def best_place(plans: Plans, limits: Limits) -> int | None:
    """Return the best plan within the limits, of equals the one with fewer hours; None if none fits."""
    score = np.where(limits.allow(plans.hours, plans.worst_cash), plans.score, -np.inf)
    best = float(score.max(initial=-np.inf))
    if best == -np.inf:
        return None
    equal = np.flatnonzero(score >= best - SAME)
    return int(equal[np.lexsort((plans.worst_cash[equal], plans.hours[equal]))[0]])
