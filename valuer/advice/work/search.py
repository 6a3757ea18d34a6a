"""The best plan for one machine, under limits on hours and cash or without."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import compress

import numpy as np

from valuer.advice.work.clusters import Case, TooMany, clusters
from valuer.advice.work.hard_cases import most_possible, searched
from valuer.advice.work.plans import SAME, Limits, Plans, best_place, plans_in_pieces
from valuer.advice.work.policies import NO_FIX, Policies
from valuer.advice.work.pruning import compared, fitting, needless, thinned


@dataclass(frozen=True, slots=True)
class Plan:
    """One plan, own money and bench hours, expected unless named worst.

    ``tries`` lists, per fault, the fixes tried on it in order (places in the workshop), empty for a fault
    that is left in; ``first`` are the fixes of the first round. ``returns`` is what the plan brings over
    leaving everything as it is, own hours paid; ``gap`` the most that another plan could bring beyond it, 0
    when the search was exact.
    """

    tries: tuple[tuple[int, ...], ...]
    waits: tuple[bool, ...]
    first: tuple[int, ...]
    proceeds: float
    returns: float
    hours: float
    cash: float
    worst_hours: float
    worst_cash: float
    gap: float = 0.0

    @property
    def works(self) -> bool:
        """Whether there is anything to do."""
        return any(self.tries)

    def score(self, margin: float) -> float:
        """Return what it brings once every fix of the first round has cleared the margin."""
        return self.returns - margin * len(self.first)

    def later(self, axis: int) -> tuple[int, ...]:
        """Return the tries on a fault that wait for what the first round leaves."""
        return self.tries[axis] if self.waits[axis] else self.tries[axis][1:]


def best_plan(case: Case, hours: float | None = None, cash: float | None = None) -> Plan:
    """Return the plan of highest expected return: exact over all subsets of faults and all policies.

    The few machines on which too many faults touch one another are searched instead, and ``gap`` says what
    could be missed at most.
    ``hours`` binds the expected hours, ``cash`` the worst case. The plan that leaves everything fits every limit.
    """
    limits = Limits(hours, cash)
    whole = compared(case, limits)
    found: tuple[float, Plans, int] | None = None
    try:
        pieces = good_plans(whole, limits)
    except TooMany:
        plan = plan_at(*searched(whole, limits))
        return replace(plan, gap=max(0.0, most_possible(whole) - plan.returns))
    for plans in pieces:
        place = best_place(plans, limits)
        if place is not None and (found is None or plans.score[place] > found[0] + SAME):
            found = float(plans.score[place]), plans, place
    if found is None:
        raise ValueError("a limit on hours or cash must be 0 or more")
    return plan_at(found[1], found[2])


def no_work(case: Case) -> Plan:
    """Return the plan that leaves everything as it is."""
    nothing = (0.0,) * 4
    count = len(case.policies)
    return Plan(((),) * count, (True,) * count, (), case.now, *nothing, worst_cash=0.0)


def best_of(case: Case, plans: Sequence[Plan], limits: Limits) -> Plan:
    """Return the best of these plans within the limits, of equals the one with fewer hours, or no work."""
    used = np.array([(plan.hours, plan.worst_cash) for plan in plans]).reshape(-1, 2)
    fits = limits.allow(used[:, 0], used[:, 1])
    return max(
        (no_work(case), *compress(plans, fits)),
        key=lambda plan: (plan.score(case.margin), -plan.hours, -plan.worst_cash),
    )


def good_plans(case: Case, limits: Limits) -> Iterator[Plans]:
    """Return the plans of a case that may be best within the limits or within narrower ones, in pieces.

    Raises TooMany.
    """
    together = [fitting(cluster, limits) for cluster in clusters(case, needless(case, limits))]
    return plans_in_pieces(case, tuple(thinned(case, cluster, limits) for cluster in together))


def plan_at(plans: Plans, place: int) -> Plan:
    """Return one of the plans as a record."""
    policies = plans.case.policies
    choice = plans.choice(place)
    tries = tuple(_tries(p, chosen) for p, chosen in zip(policies, choice, strict=True))
    firsts = [int(p.first[chosen]) for p, chosen in zip(policies, choice, strict=True)]
    return Plan(
        tries=tries,
        waits=tuple(first == NO_FIX for first in firsts),
        first=tuple(dict.fromkeys(first for first in firsts if first != NO_FIX)),
        proceeds=float(plans.proceeds[place]),
        returns=float(plans.returns[place]),
        hours=float(plans.hours[place]),
        cash=float(plans.cash[place]),
        worst_hours=float(plans.worst_hours[place]),
        worst_cash=float(plans.worst_cash[place]),
    )


def _tries(policies: Policies, chosen: int) -> tuple[int, ...]:
    return tuple(
        place for place in (int(policies.first[chosen]), *policies.later[chosen].tolist()) if place != NO_FIX
    )
