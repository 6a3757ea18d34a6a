"""The plan at several values of an hour, and where it changes: how many fixes pay hinges on the hour."""

from collections.abc import Sequence
from itertools import pairwise

from valuer.advice.work.bay import Bay, bay_of
from valuer.advice.work.done import Done
from valuer.advice.work.plan_document import working_order
from valuer.advice.work.search import Plan, best_plan
from valuer.advice.worth.documents import HourPoint
from valuer.domain.shop import ShopTerms

USUAL_HOURS = (0.0, 8.0, 15.0, 25.0)
"""Values of an hour shown when none are asked for, money at price level 1 (common practice, no source)."""

CLOSE = 0.05
"""A switch point is found to within this much, money an hour at price level 1."""


def plans_by_hour(
    bay: Bay, terms: ShopTerms, done: Done | None = None, hour_values: Sequence[float] | None = None
) -> tuple[tuple[HourPoint, ...], tuple[float, ...]]:
    """Return the best plan at each value of an hour, and the values between them at which it changes.

    The terms' own hour value is among them. Limits on hours and cash hold as in the terms.
    """
    asked = hour_values or [hour * terms.price_level for hour in USUAL_HOURS]
    values = sorted({*asked, terms.hour_value})
    search = Search(bay, terms, done)
    plans = [search.at(value) for value in values]
    points = tuple(_point(bay, value, plan) for value, plan in zip(values, plans, strict=True))
    switches = [
        search.switch(low, high, before)
        for (low, before), (high, after) in pairwise(zip(values, plans, strict=True))
        if _work(before) != _work(after)
    ]
    return points, tuple(switches)


class Search:
    """Best plans of one machine as the value of an hour varies."""

    def __init__(self, bay: Bay, terms: ShopTerms, done: Done | None) -> None:
        self.bay, self.terms, self.done = bay, terms, done

    def at(self, hour_value: float) -> Plan:
        """Return the best plan at one value of an hour."""
        terms = self.terms.model_copy(update={"hour_value": hour_value})
        bay = bay_of(self.bay.lattice, self.bay.value, terms, self.bay.case.shop, self.done)
        return best_plan(bay.case, terms.hours, terms.cash)

    def switch(self, low: float, high: float, before: Plan) -> float:
        """Return the first value of an hour, between two, at which the plan is no longer ``before``."""
        while high - low > CLOSE * self.terms.price_level:
            middle = (low + high) / 2
            if _work(self.at(middle)) == _work(before):
                low = middle
            else:
                high = middle
        return round(high, 2)


def _work(plan: Plan) -> tuple[object, ...]:
    return tuple(sorted(plan.first)), plan.tries


def _point(bay: Bay, hour_value: float, plan: Plan) -> HourPoint:
    return HourPoint(
        hour_value=hour_value,
        fixes=tuple(bay.case.shop.names[place] for place in working_order(bay, plan)),
        expected_return=plan.returns,
        bench_hours=plan.hours,
    )
