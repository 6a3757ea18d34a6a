"""Questions about work: plans and what went wrong, next checks, the most to pay, this week, an owner's quote."""

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter
from pydantic import Field, model_validator

from api.bodies import HeavyRoute
from api.examples import FIX_PLANS, MACHINE, UNKNOWN_MOSTLY, Bodies, examples
from api.questions import Question
from valuer.adviser import Adviser
from valuer.answers.deal import PurchaseLimits, RepairQuotes
from valuer.answers.work import BenchPlans, WorkLists
from valuer.domain.bounds import MOST_MONEY
from valuer.domain.record import Named, Several, wrong
from valuer.domain.shop_figures import ShopFigures

LEAKS = {
    "id": "brown-4",
    "drive": "push",
    "tier": "premium",
    "age_years": 4,
    "faults": ["fuel_leak_carb:serious", "oil_leak_unknown:serious"],
    "readings": {"oil_level": "full"},
}

WORK_LISTS: Bodies = {
    **FIX_PLANS,
    "two machines in May": {"machines": [MACHINE, UNKNOWN_MOSTLY], "terms": {"month": 5}},
    "the seat repair failed": {
        "machines": [LEAKS],
        "terms": {"month": 5},
        "done": {"brown-4": {"needle_seat": "failed"}},
    },
    "the leak was looked for": {
        "machines": [LEAKS],
        "terms": {"month": 5},
        "seen": {"brown-4": {"oil_leak_find": "sump"}},
    },
    "at four values of an hour": {
        "machines": [MACHINE],
        "terms": {"month": 5},
        "hour_values": [0, 10, 20, 40],
    },
}
PURCHASE_LIMITS: Bodies = {
    "20 wanted for every own hour, twelve miles": {
        "machines": [MACHINE],
        "terms": {"month": 4, "trip_miles": 12},
        "want_per_hour": 20,
        "asked": 40,
        "not_there": ["deck_rust_hole", "bent_crank"],
    },
    "40 wanted over own hours": {"machines": [LEAKS], "terms": {"month": 4}, "want": 40},
}
BENCH_PLANS: Bodies = {
    "six hours and 80 in cash": {
        "machines": [MACHINE, UNKNOWN_MOSTLY, LEAKS],
        "terms": {"month": 5, "hours": 6, "cash": 80},
    },
    "no limits": {"machines": [MACHINE, LEAKS], "terms": {"month": 5}},
}
REPAIR_QUOTES: Bodies = {
    "a shop's figures": {
        "machines": [LEAKS],
        "terms": {"month": 5},
        "quotes": {"brown-4": {"parts": 80, "hours": 3, "rate": 60, "new_price": 420}},
    },
    "usual figures": {"machines": [MACHINE], "terms": {"month": 5}},
}

MOST_LISTS = 60
SO_FAR = "how fixes went, by machine id: the fix, or fix:fault, and worked or failed"


class WorkQuestion(Question):
    """Machines, and how the work on them went so far."""

    done: Named[Named[str]] = Field(default_factory=dict, description=SO_FAR)


class ListQuestion(WorkQuestion):
    """Machines whose work is to be decided, what looks showed, at other values of an hour too if so asked."""

    most = 25

    seen: Named[Named[str]] = Field(
        default_factory=dict, description="what looks showed, by machine id: the look and its outcome"
    )
    hour_values: Several[float] | None = Field(
        None,
        max_length=24,
        description="show the list at these values of an hour, money; empty: at the usual ones",
    )

    @model_validator(mode="after")
    def _hours_are_not_negative(self) -> "ListQuestion":
        for value in self.hour_values or ():
            if not 0 <= value <= MOST_MONEY:
                raise wrong("hour_value", f"hour_values must be 0 to {MOST_MONEY:,.0f}, got {value}")
        lists = len(self.machines) * (len(self.hour_values or ()) or 1)
        if lists > MOST_LISTS:
            what = f"{lists} lists (machines times hour_values) are over {MOST_LISTS}"
            raise wrong("lists", f"{what}; ask about fewer of either")
        return self


class BuyQuestion(Question):
    """Machines that might be bought, and what is wanted for it."""

    most = 20

    want: float = Field(0.0, ge=0, le=MOST_MONEY, description="money to be left over, own hours paid")
    want_per_hour: float | None = Field(
        None, ge=0, le=MOST_MONEY, description="money wanted for every own hour instead"
    )
    asked: float | None = Field(None, ge=0, le=MOST_MONEY, description="what the seller asks, if known")
    not_there: Several[str] = Field(
        (), max_length=200, description="faults that were looked for and not found"
    )

    @model_validator(mode="after")
    def _one_wish(self) -> "BuyQuestion":
        if self.want and self.want_per_hour is not None:
            raise wrong("two_wishes", "expected want or want_per_hour, got both; leave one out")
        return self


class QuoteQuestion(Question):
    """Machines of owners, and what a shop asks."""

    quotes: Named[ShopFigures] = Field(
        default_factory=dict,
        description="what is known of the shop's quote, by machine id; the rest is usual",
    )


def deciding(adviser: Adviser, responses: Mapping[int | str, dict[str, Any]]) -> APIRouter:
    """The routes of questions about work."""
    router = APIRouter(prefix="/v1", route_class=HeavyRoute, responses=dict(responses))

    @router.post("/work-lists", openapi_extra=examples(WORK_LISTS))
    def work_lists(question: ListQuestion) -> WorkLists:
        """For each machine what to look at and to fix, step by step from here on, and when to stop."""
        q = question
        return adviser.work_lists(q.machines, q.terms, q.done, q.seen, q.hour_values)

    @router.post("/purchase-limits", openapi_extra=examples(PURCHASE_LIMITS))
    def purchase_limits(question: BuyQuestion) -> PurchaseLimits:
        """The most to pay for each machine, unknown faults counted at their share among machines like it."""
        q = question
        return adviser.purchase_limits(
            q.machines,
            q.terms,
            want=q.want,
            want_per_hour=q.want_per_hour,
            asked=q.asked,
            not_there=q.not_there,
        )

    @router.post("/bench-plans", openapi_extra=examples(BENCH_PLANS))
    def bench_plans(question: WorkQuestion) -> BenchPlans:
        """Which plans on which machines within this week's hours and cash, and the ranking beside it."""
        return adviser.bench_plan(question.machines, question.terms, question.done)

    @router.post("/repair-quotes", openapi_extra=examples(REPAIR_QUOTES))
    def repair_quotes(question: QuoteQuestion) -> RepairQuotes:
        """The owner's view: repair, sell as it stands, or replace, with the numbers side by side."""
        return adviser.repair_quotes(question.machines, question.terms, question.quotes)

    return router
