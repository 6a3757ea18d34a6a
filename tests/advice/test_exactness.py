"""The best plan is the best of all plans: nothing that is left out beforehand could have been part of it.

Judged by listing every combination of every policy, which `test_plans.py` checks against courses of events
written out in plain Python.
"""

import random
from collections.abc import Iterator
from dataclasses import replace
from math import prod

import numpy as np
import pytest

from tests.advice.fake import EFFECTS
from tests.advice.make import bay
from valuer.advice.work.clusters import Case, clusters
from valuer.advice.work.plans import plans_in_pieces
from valuer.advice.work.pruning import compared, possible
from valuer.advice.work.search import best_plan

ABLE = sorted(set(EFFECTS) - {"recall_open", "estart_dead"})
FUEL = ("hard_start", "no_start", "surging", "fuel_leak_carb", "stale_fuel", "weak_spark", "low_compression")
"""Faults that share fixes, so that what is done for one touches another."""

LIMITS = [(None, None), (1.0, None), (0.5, None), (None, 20.0), (None, 60.0), (1.0, 150.0), (2.0, 40.0)]
MOST_LISTED = 200_000


def cases(count: int, seed: int, names: tuple[str, ...] = tuple(ABLE)) -> Iterator[Case]:
    """Cases of one to four faults whose plans can all be listed."""
    rng = random.Random(seed)
    while count:
        faults = [f"{n}:{rng.choice(['slight', 'serious'])}" for n in rng.sample(names, rng.randint(1, 4))]
        case = bay(
            *faults, sound=rng.choice([90.0, 190.0, 400.0]), hour_value=rng.choice([0.0, 8.0, 15.0, 30.0])
        ).case
        if prod(len(policies.first) for policies in possible(case).policies) <= MOST_LISTED:
            count -= 1
            yield case


def best_score(case: Case, hours: float | None, cash: float | None) -> float:
    """The most that any plan within the limits brings, margins off; minus infinity if none fits."""
    whole, best = possible(case), -np.inf
    for plans in plans_in_pieces(whole, clusters(whole)):
        fits = (plans.hours <= (np.inf if hours is None else hours + 1e-9)) & (
            plans.worst_cash <= (np.inf if cash is None else cash + 1e-9)
        )
        best = max(best, float(plans.score[fits].max(initial=-np.inf)))
    return best


def agree(case: Case, hours: float | None, cash: float | None) -> bool:
    """Whether the best plan brings what the best of all plans brings."""
    plan = best_plan(case, hours, cash)
    return bool(
        np.isclose(plan.returns - case.margin * len(plan.first), best_score(case, hours, cash), atol=1e-7)
    )


def test_a_surer_carburettor_after_a_cheap_one_within_an_hour() -> None:
    """Does not start, one hour and 150 of cash: a pattern carburettor, then the maker's if it fails."""
    case = bay("no_start:serious", sound=400.0).case
    plan = best_plan(case, 1.0, 150.0)
    assert agree(case, 1.0, 150.0)
    assert plan.hours <= 1.0
    assert plan.worst_cash <= 150.0


@pytest.mark.parametrize(("hours", "cash"), LIMITS)
@pytest.mark.parametrize("names", [tuple(ABLE), FUEL], ids=["any", "fuel"])
def test_no_plan_is_better_within_any_limits(
    hours: float | None, cash: float | None, names: tuple[str, ...]
) -> None:
    """Machines of one to four faults, alone and touching, with limits and without."""
    for case in cases(20, 3, names):
        assert agree(case, hours, cash), case.odds.shape


@pytest.mark.parametrize("limits", LIMITS)
def test_no_plan_is_better_with_doubts_margins_and_faults_that_must_be_worked_on(
    limits: tuple[float | None, float | None],
) -> None:
    """The same where findings are in doubt, a margin is to be cleared, or faults may not be left."""
    rng = np.random.default_rng(5)
    for case in cases(12, 6):
        count = len(case.policies)
        chances = np.where(rng.random(count) < 0.4, rng.random(count), 1.0)
        forced = frozenset(np.flatnonzero(rng.random(count) < 0.3).tolist())
        hard = replace(case, chances=chances, forced=forced, margin=float(rng.choice([0.0, 5.0])))
        if best_score(hard, *limits) > -np.inf:
            assert agree(hard, *limits)


def test_what_is_left_out_is_much() -> None:
    """Leaving out is what makes ten faults and more quick: a fifth of the plans are left, or fewer."""
    sizes = [
        (prod(len(p.first) for p in some.policies) for some in (compared(case), possible(case)))
        for case in cases(20, 9, FUEL)
    ]
    left, every = (sum(column) for column in zip(*sizes, strict=True))
    assert left < every / 5
