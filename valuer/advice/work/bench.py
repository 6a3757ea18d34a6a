"""The bench: which machine earns most for the next free hour, and which lists fit into this week."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from valuer.advice.ports import ValueModel
from valuer.advice.work.bench_documents import (
    Action,
    BenchMachine,
    BenchPlan,
    BenchRanking,
    PlannedMachine,
)
from valuer.advice.work.course import Course, best_within, no_work, offers
from valuer.advice.work.done import Done
from valuer.advice.work.donors import MOST_MACHINES, donors_among
from valuer.advice.work.job import Job, each_job
from valuer.advice.work.knapsack import Choice, Offers, best_choice
from valuer.advice.work.tree import SAME
from valuer.advice.work.ways_out import ROUTES
from valuer.advice.work.work_list import step_cautions, step_ids, step_names, waiting_days
from valuer.advice.work.workshop import Workshop
from valuer.advice.worth.common import (
    basis_warnings,
    cautions,
    leaving_actions,
    noise,
    safety_of,
    season_warnings,
    warnings_for,
)
from valuer.domain.going import each_of
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

TEN = 10.0
"""Step of cash whose worth is told, money at price level 1."""


AT_ONCE = 64
"""Machines whose values are worked out at once: all that a week keeps of each is what it tells of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Brought:
    """What one machine brings to a week.

    offers: its lists that pay and that no other beats in return, hours and worst cash at once, the best first; planned
    and cautions: what is told of each of them. idle: what is told where it is given none. row and own_cautions: its
    best list as if the week's hours and cash were all its own. leaving: what has to be done before it leaves.
    """

    offers: Offers
    planned: tuple[PlannedMachine, ...]
    cautions: tuple[tuple[str, ...], ...]
    idle: PlannedMachine
    row: BenchMachine
    own_cautions: tuple[str, ...]
    leaving: frozenset[str]


@dataclass(frozen=True, eq=False)
class Week:
    """The machines of a week and what each brings; their jobs where they are few enough to give each other parts."""

    brought: Sequence[Brought]
    jobs: Sequence[Job]
    terms: ShopTerms

    @cached_property
    def choice(self) -> Choice:
        """The lists to do this week, at most one a machine: proved best among those offered."""
        return self.choice_with(self.terms.hours, self.terms.cash)

    def choice_with(self, hours: float | None, cash: float | None) -> Choice:
        """Return the best lists under other limits."""
        return best_choice([each.offers for each in self.brought], hours, cash)


def _brought(job: Job, model: ValueModel) -> Brought:
    terms = job.terms
    courses = _that_pay(job)
    own = best_within(job, courses, terms.hours, terms.cash)
    return Brought(
        offers=Offers(
            gain=np.array([course.score for course in courses]),
            hours=np.array([course.hours for course in courses]),
            cash=np.array([course.worst_cash for course in courses]),
        ),
        planned=tuple(_planned(job, course, waits=True) for course in courses),
        cautions=tuple(tuple(step_cautions(course)) for course in courses),
        idle=_planned(job, None, waits=bool(courses)),
        row=_row(own, model),
        own_cautions=tuple(step_cautions(own)),
        leaving=frozenset(leaving_actions(safety_of(job.machine, terms, job.done.cured))),
    )


def _that_pay(job: Job) -> list[Course]:
    """The lists a machine offers; without limits that is its one best list."""
    if job.terms.hours is not None or job.terms.cash is not None:
        return offers(job)
    course = Course(job, job.tree)
    return [course] if course.works and course.score > SAME else []


def week_of(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> Week:
    """Return the machines of a week with what each brings."""
    brought: list[Brought] = []
    kept: list[Job] = []
    some: Iterator[Job] = iter(())
    for place, _ in enumerate(each_of(machines, "machine")):
        if place % AT_ONCE == 0:
            some = each_job(machines[place : place + AT_ONCE], model, terms, shop, done)
        job = next(some)
        brought.append(_brought(job, model))
        if len(machines) <= MOST_MACHINES:
            kept.append(job)
    return Week(brought, kept, terms)


def plan_and_rank(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> tuple[BenchPlan, BenchRanking]:
    """Return which lists to do this week within the terms' hours and cash, and the machines by return an hour."""
    week = week_of(machines, model, terms, done, shop)
    return _planned_week(week, model), _ranking(week, model)


def rank_bench(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> BenchRanking:
    """Return the machines by expected return per bench hour, the limiting factor, highest first.

    Every machine brings the list that is best for it within the hours and cash at hand; one without work that
    pays comes last, the dearest first.
    """
    return _ranking(week_of(machines, model, terms, done, shop), model)


def _ranking(week: Week, model: ValueModel) -> BenchRanking:
    rows = [each.row for each in week.brought]
    ranked = tuple(
        sorted(rows, key=lambda row: (-row.return_per_hour, -row.expected_return, -row.value_now, row.id))
    )
    found = [caution for each in week.brought for caution in each.own_cautions]
    leaving = cautions({action for row in rows for action in leaving_actions(row.safety)})
    return BenchRanking(
        machines=ranked,
        currency=week.terms.currency,
        hour_value=week.terms.hour_value,
        cautions=tuple(dict.fromkeys((*found, *leaving))),
        warnings=(*basis_warnings(model), *season_warnings(week.terms)),
        basis=model.basis,
    )


def _row(course: Course, model: ValueModel) -> BenchMachine:
    job = course.job
    common = (*basis_warnings(model), *season_warnings(job.terms))
    return BenchMachine(
        id=job.machine.id,
        called=job.machine.called,
        value=job.value,
        value_now=job.value.amount,
        value_after=course.value_after,
        left_now=job.now,
        expected_return=course.returns,
        bench_hours=course.hours,
        return_per_hour=course.per_hour,
        chance_of_loss=course.chance_of_loss(noise(job.value)),
        first_step=next(iter(step_names(course)), None),
        steps=step_ids(course),
        cash=course.cash,
        waits_days=waiting_days(course),
        sold_as=course.likeliest,
        safety=safety_of(job.machine, job.terms, job.done.cured),
        warnings=tuple(line for line in warnings_for(job.lattice, model, job.terms) if line not in common),
    )


def plan_bench(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> BenchPlan:
    """Return which lists to do on which machines this week, within the terms' hours and cash.

    Every machine brings its lists from one tree at several prices of hours and money; the choice among them,
    at most one a machine, is proved best. ``shop`` holds the fixes with their odds and hours, as in the
    catalogue where it is not given.
    """
    return _planned_week(week_of(machines, model, terms, done, shop), model)


def _planned_week(week: Week, model: ValueModel) -> BenchPlan:
    terms, choice = week.terms, week.choice
    chosen = list(zip(week.brought, choice.plans, strict=True))
    rows = [each.idle if place is None else each.planned[place] for each, place in chosen]
    working = [row for row in rows if row.action == "work"]
    found = [caution for each, place in chosen if place is not None for caution in each.cautions[place]]
    leaving = {action for each in week.brought for action in each.leaving}
    return BenchPlan(
        machines=tuple(sorted(rows, key=_by_urgency)),
        expected_return=sum(row.expected_return for row in working),
        bench_hours=sum(row.bench_hours for row in working),
        cash=sum(row.cash for row in working),
        hours_free=terms.hours,
        cash_free=terms.cash,
        one_more_hour=_more(week, hours=1.0),
        ten_more_cash=_more(week, cash=TEN * terms.price_level),
        gap=choice.gap,
        donors=donors_among(week.jobs, model),
        currency=terms.currency,
        hour_value=terms.hour_value,
        cautions=tuple(dict.fromkeys((*found, *cautions(leaving)))),
        warnings=(*basis_warnings(model), *season_warnings(terms)),
        basis=model.basis,
    )


def _more(week: Week, hours: float = 0.0, cash: float = 0.0) -> float:
    """Return what more hours or cash would bring this week; 0 where there is no limit on them."""
    terms = week.terms
    if (terms.hours if hours else terms.cash) is None:
        return 0.0
    wider = week.choice_with(
        None if terms.hours is None else terms.hours + hours,
        None if terms.cash is None else terms.cash + cash,
    )
    return max(0.0, wider.gain - week.choice.gain)


def _planned(job: Job, course: Course | None, *, waits: bool) -> PlannedMachine:
    done = course or no_work(job)
    return PlannedMachine(
        id=job.machine.id,
        called=job.machine.called,
        action="work" if course else _left(job, waits=waits),
        first_step=next(iter(step_names(done)), None),
        steps=step_ids(done),
        expected_return=done.returns,
        bench_hours=done.hours,
        cash=done.worst_cash,
        waits_days=waiting_days(done),
        sold_as=done.likeliest,
    )


def _left(job: Job, *, waits: bool) -> Action:
    if waits:
        return "not this week"
    route = ROUTES[int(job.today.argmax())]
    actions: dict[str, Action] = {"for parts": "break for parts", "scrap": "scrap"}
    return actions.get(route, "sell as it stands")


def _by_urgency(row: PlannedMachine) -> tuple[bool, float, str]:
    per = row.expected_return / row.bench_hours if row.bench_hours > 0 else 0.0
    return row.action != "work", -per, row.id
