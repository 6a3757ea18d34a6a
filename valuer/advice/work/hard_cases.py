"""Machines with so many faults touching one another that not every combination of policies is listed.

The plan is searched two faults at a time until no change helps, from several starts, and the answer says what
no plan can exceed.
"""

from dataclasses import replace
from itertools import combinations

import numpy as np

from valuer.advice.work.clusters import Case, clusters
from valuer.advice.work.plans import SAME, Limits, Plans, best_place, every_plan
from valuer.advice.work.policies import NO_FIX
from valuer.advice.worth.lattice import subsets


def searched(case: Case, limits: Limits) -> tuple[Plans, int]:
    """Return the plans that hold a good plan of a hard case, and its place among them.

    No plan that differs in the policies of two faults is better.
    """
    starts = ([0] * len(case.policies), [_surest(case, axis) for axis in range(len(case.policies))])
    found = [_improved(case, start, limits) for start in starts]
    return max(found, key=lambda item: float(item[0].score[item[1]]))


def _surest(case: Case, axis: int) -> int:
    first = case.policies[axis].first
    stays = np.where(first == NO_FIX, 1.0, 1 - case.odds[axis, first])
    return int((stays * (1 - case.policies[axis].cured_later)).argmin())


def _improved(case: Case, start: list[int], limits: Limits) -> tuple[Plans, int]:
    choice, best = list(start), -np.inf
    found: tuple[Plans, int] | None = None
    better = True
    while better:
        better = False
        for pair in combinations(range(len(choice)), min(2, len(choice))):
            plans = _around(case, choice, pair)
            place = best_place(plans, limits)
            if place is not None and plans.score[place] > best + SAME:
                found, best, better = (plans, place), float(plans.score[place]), True
                for axis in pair:
                    choice[axis] = plans.choice(place)[axis]
    if found is None:
        return _improved(case, [0] * len(choice), limits)
    return found


def _around(case: Case, choice: list[int], free: tuple[int, ...]) -> Plans:
    """Value the plans that keep the chosen policies but for the free faults."""
    policies = [
        p if axis in free else p.only(np.arange(len(p.first)) == choice[axis])
        for axis, p in enumerate(case.policies)
    ]
    kept = replace(case, policies=tuple(policies))
    return every_plan(kept, clusters(kept))


def most_possible(case: Case) -> float:
    """Return what no plan of the case can exceed, money over leaving the machine as it stands.

    Give each fault a price such that no fix costs less than the sum of price x odds over the faults it can
    cure. A plan then costs at least the prices of what it cures, on average, so that it cannot beat the best
    subset bought at these prices. Linear programming finds the prices that make this bound least. A symptom
    whose cause is found may go for nothing and has price 0; strip-down is not charged.
    """
    from scipy.optimize import linprog  # noqa: PLC0415  only hard cases need it

    count = len(case.policies)
    cured = 1 - subsets(count)
    fixes = np.flatnonzero((case.odds > 0).any(axis=0))
    cost = case.price_level * case.shop.parts[fixes] + case.hour_value * case.shop.hours[fixes]
    free = [case.chances[axis] < 1 or bool(case.causes[axis]) for axis in range(count)]
    solved = linprog(
        c=[*np.zeros(count), 1.0],
        A_ub=np.block(
            [[-cured, -np.ones((len(cured), 1))], [case.odds[:, fixes].T, np.zeros((len(fixes), 1))]]
        ),
        b_ub=np.concatenate([case.now - case.proceeds.ravel(), cost]),
        bounds=[*((0.0, 0.0 if nothing else None) for nothing in free), (0.0, None)],
    )
    return float(solved.fun or 0.0)
