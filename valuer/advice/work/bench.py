"""The bench: which machine earns most for the next free hour, and which plans fit into this week."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from valuer.advice.ports import ValueModel
from valuer.advice.work.bay import Bay, bays
from valuer.advice.work.clusters import Case, TooMany
from valuer.advice.work.decision_documents import Action, BenchPlan, PlannedMachine
from valuer.advice.work.done import Done
from valuer.advice.work.knapsack import Choice, Offers, best_choice
from valuer.advice.work.outcomes import chance_of_loss
from valuer.advice.work.plan_document import if_all_works, value_after, working_order
from valuer.advice.work.plans import SAME, Limits, Plans
from valuer.advice.work.policies import Workshop, usual_workshop
from valuer.advice.work.pruning import compared
from valuer.advice.work.routes import ROUTES
from valuer.advice.work.search import Plan, best_of, best_plan, good_plans, plan_at
from valuer.advice.worth.common import (
    basis_warnings,
    cautions,
    leaving_actions,
    noise,
    safety_of,
    season_warnings,
    warnings_for,
)
from valuer.advice.worth.documents import BenchMachine, BenchRanking
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

TEN = 10.0
"""Step of cash whose worth is told, money at price level 1."""


def rank_bench(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> BenchRanking:
    """Return the machines by expected return per bench hour, the limiting factor, highest first.

    Every machine brings its best plan within the hours and cash at hand; one without work that pays comes
    last, the dearest first, and is sold as it stands.
    """
    every = bays(machines, model, terms, shop or usual_workshop(), done)
    return _ranking([(bay, best_plan(bay.case, terms.hours, terms.cash)) for bay in every], model, terms)


def _ranking(planned: Sequence[tuple[Bay, Plan]], model: ValueModel, terms: ShopTerms) -> BenchRanking:
    rows = [_row(bay, plan, model, terms) for bay, plan in planned]
    ranked = tuple(sorted(rows, key=lambda row: (-row.return_per_hour, -row.expected_return, -row.value_now)))
    actions = {action for row in rows for action in (*row.plan, *leaving_actions(row.safety))}
    return BenchRanking(
        machines=ranked,
        currency=terms.currency,
        hour_value=terms.hour_value,
        cautions=cautions(actions),
        warnings=(*basis_warnings(model), *season_warnings(terms)),
        basis=model.basis,
    )


def _row(bay: Bay, plan: Plan, model: ValueModel, terms: ShopTerms) -> BenchMachine:
    common = (*basis_warnings(model), *season_warnings(terms))
    return BenchMachine(
        id=bay.lattice.machine.id,
        value=bay.value,
        value_now=bay.lattice.now,
        value_after=value_after(bay, plan),
        expected_return=plan.returns,
        bench_hours=plan.hours,
        return_per_hour=per_hour(plan),
        chance_of_loss=chance_of_loss(bay.case, plan, noise(bay.value), bay.selling),
        plan=_fixes(bay, plan),
        cash=plan.cash,
        sold_as=ROUTES[int(bay.out.route[if_all_works(bay, plan)])],
        safety=safety_of(bay.lattice.machine, terms, bay.cured),
        warnings=tuple(line for line in warnings_for(bay.lattice, model, terms) if line not in common),
    )


def per_hour(plan: Plan) -> float:
    """Return what a plan brings per bench hour, own hours paid; 0 when there is no work."""
    return plan.returns / plan.hours if plan.hours > 0 else 0.0


def _fixes(bay: Bay, plan: Plan) -> tuple[str, ...]:
    return tuple(bay.case.shop.names[place] for place in working_order(bay, plan))


@dataclass(frozen=True, slots=True, eq=False)
class Week:
    """The machines of a week and the plans each brings."""

    bays: Sequence[Bay]
    offered: Sequence[Sequence[Plan]]


def plan_bench(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> BenchPlan:
    """Return which plans to do on which machines this week, within the terms' hours and cash.

    Every machine brings all its plans that some other plan does not beat in return, hours and cash at once;
    the choice among them, at most one a machine, is proved best. ``shop`` holds the fixes with their odds and
    hours, as in the catalogue where it is not given.
    """
    return _planned_week(week_of(machines, model, terms, done, shop), model, terms)


def plan_and_rank(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> tuple[BenchPlan, BenchRanking]:
    """Return `plan_bench` and `rank_bench`, both from the same values and the same plans."""
    week = week_of(machines, model, terms, done, shop)
    planned = [
        (bay, best_of(bay.case, plans, Limits(terms.hours, terms.cash)))
        for bay, plans in zip(week.bays, week.offered, strict=True)
    ]
    return _planned_week(week, model, terms), _ranking(planned, model, terms)


def week_of(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> Week:
    """Return the machines of a week with the plans each brings."""
    every = bays(machines, model, terms, shop or usual_workshop(), done)
    return Week(every, [worthwhile(bay.case, terms) for bay in every])


def _planned_week(week: Week, model: ValueModel, terms: ShopTerms) -> BenchPlan:
    offers = [_offers(plans, terms.margin) for plans in week.offered]
    choice, widest = best_choice(offers, terms.hours, terms.cash), _widest(terms)
    more_hours = None if terms.hours is None else best_choice(offers, widest.hours, terms.cash)
    more_cash = None if terms.cash is None else best_choice(offers, terms.hours, widest.cash)
    return _bench_plan(week, choice, (more_hours, more_cash), model, terms)


def worthwhile(case: Case, terms: ShopTerms) -> list[Plan]:
    """Return a machine's plans that pay and that no other beats in return, hours and worst-case cash."""
    widest = _widest(terms)
    try:
        pieces = good_plans(compared(case, widest), widest)
    except TooMany:
        return _searched_plans(case, terms)
    found = [p for plans in pieces for p in _front(plans, widest)]
    return _unbeaten(found, terms.margin)


def _widest(terms: ShopTerms) -> Limits:
    """Return the limits with one more hour and ten more in cash, whose worth is told too."""
    hours = None if terms.hours is None else terms.hours + 1
    return Limits(hours, None if terms.cash is None else terms.cash + TEN * terms.price_level)


def _front(plans: Plans, widest: Limits) -> list[Plan]:
    waiting = np.flatnonzero((plans.score > SAME) & widest.allow(plans.hours, plans.worst_cash))
    waiting = waiting[np.argsort(-plans.score[waiting], kind="stable")]
    kept = []
    while len(waiting):
        best = waiting[0]
        kept.append(plan_at(plans, int(best)))
        beaten = (plans.hours[waiting] >= plans.hours[best] - SAME) & (
            plans.worst_cash[waiting] >= plans.worst_cash[best] - SAME
        )
        waiting = waiting[~beaten]
    return kept


def _unbeaten(plans: Sequence[Plan], margin: float) -> list[Plan]:
    """Return the plans that no other beats; needed when a machine's plans came in pieces."""
    order = sorted(plans, key=lambda plan: -plan.score(margin))
    kept: list[Plan] = []
    for plan in order:
        if not any(p.hours <= plan.hours + SAME and p.worst_cash <= plan.worst_cash + SAME for p in kept):
            kept.append(plan)
    return kept


def _searched_plans(case: Case, terms: ShopTerms) -> list[Plan]:
    """Return good plans of a machine too hard to list: the best within all, half, a quarter of the limits."""
    shares = (1.0, 0.5, 0.25) if terms.hours is not None or terms.cash is not None else (1.0,)
    found = [
        best_plan(
            case,
            None if terms.hours is None else share * terms.hours,
            None if terms.cash is None else share * terms.cash,
        )
        for share in shares
    ]
    return _unbeaten([plan for plan in found if plan.score(terms.margin) > SAME], terms.margin)


def _offers(plans: Sequence[Plan], margin: float) -> Offers:
    return Offers(
        gain=np.array([plan.score(margin) for plan in plans]),
        hours=np.array([plan.hours for plan in plans]),
        cash=np.array([plan.worst_cash for plan in plans]),
    )


def _bench_plan(
    week: Week,
    choice: Choice,
    more: tuple[Choice | None, Choice | None],
    model: ValueModel,
    terms: ShopTerms,
) -> BenchPlan:
    rows = [_planned(week, choice, place) for place in range(len(week.bays))]
    working = [row for row in rows if row.action == "work"]
    extra = [max(0.0, other.gain - choice.gain) if other else 0.0 for other in more]
    leaving = {
        action
        for bay in week.bays
        for action in leaving_actions(safety_of(bay.lattice.machine, terms, bay.cured))
    }
    return BenchPlan(
        machines=tuple(sorted(rows, key=_by_urgency)),
        expected_return=sum(row.expected_return for row in working),
        bench_hours=sum(row.bench_hours for row in working),
        cash=sum(row.cash for row in working),
        hours_free=terms.hours,
        cash_free=terms.cash,
        one_more_hour=extra[0],
        ten_more_cash=extra[1],
        gap=choice.gap if choice.gap > SAME else 0.0,
        currency=terms.currency,
        hour_value=terms.hour_value,
        cautions=cautions({fix for row in working for fix in row.fixes} | leaving),
        warnings=(*basis_warnings(model), *season_warnings(terms)),
        basis=model.basis,
    )


def _planned(week: Week, choice: Choice, place: int) -> PlannedMachine:
    bay, chosen = week.bays[place], choice.plans[place]
    plan = None if chosen is None else week.offered[place][chosen]
    everything = (1,) * len(bay.lattice.findings)
    return PlannedMachine(
        id=bay.lattice.machine.id,
        action="work" if plan else _left(bay, everything, waits=bool(week.offered[place])),
        fixes=_fixes(bay, plan) if plan else (),
        expected_return=plan.returns if plan else 0.0,
        bench_hours=plan.hours if plan else 0.0,
        cash=plan.worst_cash if plan else 0.0,
        sold_as=ROUTES[int(bay.out.route[if_all_works(bay, plan) if plan else everything])],
    )


def _left(bay: Bay, everything: tuple[int, ...], *, waits: bool) -> Action:
    if waits:
        return "not this week"
    route = ROUTES[int(bay.out.route[everything])]
    actions: dict[str, Action] = {"for parts": "break for parts", "scrap": "scrap"}
    return actions.get(route, "sell as it stands")


def _by_urgency(row: PlannedMachine) -> tuple[bool, float, str]:
    per = row.expected_return / row.bench_hours if row.bench_hours > 0 else 0.0
    return row.action != "work", -per, row.id
