"""The best plan is the best plan: checked against every course of events written out in plain Python."""

import random
from math import prod

import numpy as np
import pytest

from tests.advice.brute import Way, every_way, value
from tests.advice.fake import EFFECTS, FakeModel
from tests.advice.make import bay, machine, terms
from valuer.advice.work.bay import Bay, bay_of
from valuer.advice.work.clusters import TooMany, clusters
from valuer.advice.work.hard_cases import most_possible, searched
from valuer.advice.work.information import net_of
from valuer.advice.work.outcomes import chance_of_loss, ends
from valuer.advice.work.plans import FREE, MOST_PLANS, every_plan, plans_in_pieces
from valuer.advice.work.policies import usual_workshop
from valuer.advice.work.pruning import compared, possible, thinned
from valuer.advice.work.search import Plan, best_plan, plan_at
from valuer.advice.worth.common import ranges
from valuer.advice.worth.lattice import Scene, lattices
from valuer.domain.machine import Finding

ABLE = sorted(set(EFFECTS) - {"recall_open", "estart_dead"})
JOINED = [
    ("fuel_leak_carb:serious", "surging:slight"),
    ("stale_fuel:slight", "oil_contaminated:slight", "air_filter_bad:serious"),
    ("no_start:serious", "weak_spark:serious"),
    ("sheared_key:serious", "vibration:serious"),
    ("drive_slip:serious", "drive_none:slight"),
    ("blade_dull:serious", "blade_damaged:serious", "deck_surface_rust:slight"),
    ("smoke_blue:serious", "oil_leak_sump:serious"),
]
"""Faults that share a fix, share strip-down, or bring one another about."""


def _random_bays(count: int, faults: int) -> list[Bay]:
    rng = random.Random(faults)
    return [
        bay(
            *(f"{name}:{rng.choice(['slight', 'serious'])}" for name in rng.sample(ABLE, faults)),
            sound=rng.choice([90.0, 190.0, 400.0]),
            hour_value=rng.choice([0.0, 6.0, 15.0, 25.0]),
        )
        for _ in range(count)
    ]


def _faults(at: object) -> str:
    return "-".join(item.fault for item in at.lattice.findings) if isinstance(at, Bay) else ""


CASES = [bay(*faults, sound=400.0, hour_value=8.0) for faults in JOINED] + _random_bays(10, 3)
LISTED = [at for at in CASES if prod(len(p.first) for p in possible(at.case).policies) < 1_500]
"""Machines whose plans can be gone through one by one in plain Python."""


@pytest.mark.parametrize("at", LISTED, ids=_faults)
def test_best_plan_equals_brute_force(at: Bay) -> None:
    """Every combination of every policy, every course of events."""
    case = possible(at.case)
    best = max(value(case, ways).returns for ways in every_way(case))
    assert best_plan(at.case).returns == pytest.approx(best, abs=1e-8)


@pytest.mark.parametrize("at", LISTED[:8], ids=_faults)
def test_best_plan_within_limits_equals_brute_force(at: Bay) -> None:
    """Hours bind what is expected, cash binds the worst case."""
    case = possible(at.case)
    every = [value(case, ways) for ways in every_way(case)]
    for hours, cash in [(0.6, None), (None, 12.0), (1.2, 30.0)]:
        fitting = [
            v.returns
            for v in every
            if v.hours <= (hours or np.inf) + 1e-9 and v.worst_cash <= (cash or np.inf) + 1e-9
        ]
        assert best_plan(at.case, hours, cash).returns == pytest.approx(max(fitting), abs=1e-8)


@pytest.mark.parametrize("at", CASES[:7], ids=_faults)
def test_every_plan_is_valued_as_brute_force_values_it(at: Bay) -> None:
    """Not only the best: returns, hours and worst-case cash of fifty plans of each machine."""
    case = possible(at.case)
    plans = every_plan(case, clusters(case))
    for place in np.linspace(0, len(plans.returns) - 1, 50).astype(int).tolist():
        ways = [
            Way(int(p.first[chosen]), tuple(int(x) for x in p.later[chosen] if x >= 0))
            for p, chosen in zip(case.policies, plans.choice(place), strict=True)
        ]
        expected = value(case, ways)
        assert plans.returns[place] == pytest.approx(expected.returns, abs=1e-8)
        assert plans.hours[place] == pytest.approx(expected.hours, abs=1e-9)
        assert plans.worst_cash[place] == pytest.approx(expected.worst_cash, abs=1e-9)


@pytest.mark.parametrize("at", _random_bays(12, 6), ids=_faults)
def test_thinning_loses_no_best_plan(at: Bay) -> None:
    """Dropping beaten combinations first gives the same best as going through all of them."""
    case = compared(at.case)
    whole = max(float(plans.score.max()) for plans in plans_in_pieces(case, clusters(case)))
    small = every_plan(case, tuple(thinned(case, c) for c in clusters(case)))
    assert small.score.max() == pytest.approx(whole, abs=1e-8)


@pytest.mark.parametrize("at", _random_bays(12, 5), ids=_faults)
def test_outcome_tree_agrees_with_the_plans_value(at: Bay) -> None:
    """The chances of the tree's ends sum to 1, and their mean is the plan's return."""
    plan = best_plan(at.case)
    tree = ends(at.case, plan)
    assert tree.chance.sum() == pytest.approx(1)
    assert net_of(at.case, plan) == pytest.approx(plan.returns + at.case.now, abs=1e-8)


def test_a_doubtful_fault_brings_its_chance_of_the_gain() -> None:
    """Stiff rolling there one time in four: cleaning the axles at .86 costs as before, brings a quarter.

    The gain for sure is 190 x .18 = 34.20; the clean costs 2.50 + .55 h x 2 = 3.60.
    """
    shop = usual_workshop()
    scene = Scene(machine(), (Finding("stiff_roll", "serious", 0.25),))
    asked = terms(hour_value=2.0)
    lattice = lattices([scene], FakeModel(), asked)[0]
    value = ranges([lattice], FakeModel(), asked)[0]
    doubtful = bay_of(lattice, value, asked, shop)
    clean = shop.names.index("wheel_clean_lube")
    plan = best_plan(doubtful.case)
    assert plan.tries == ((clean,),)
    assert plan.returns == pytest.approx(0.25 * 34.20 * 0.86 - 3.60)


def test_searching_finds_what_listing_finds() -> None:
    """The method for the few machines too hard to list, on machines that can be listed."""
    for at in _random_bays(15, 5):
        case = compared(at.case)
        plans, place = searched(case, FREE)
        assert plans.score[place] == pytest.approx(best_plan(at.case).returns, abs=1e-8)


def test_no_plan_beats_the_bound() -> None:
    """The bound by linear programming lies above the best plan, also of machines that can be listed."""
    for at in [*_random_bays(15, 5), *CASES]:
        assert most_possible(compared(at.case)) >= best_plan(at.case).returns - 1e-7


HARD = [
    f"{name}:serious"
    for name in (
        *("hard_start", "surging", "dies_hot", "low_power", "choke_fault", "stale_fuel", "fuel_leak_carb"),
        *("air_filter_bad", "oil_contaminated", "weak_spark"),
    )
]


def test_a_machine_too_hard_to_list_gets_a_plan_with_its_gap() -> None:
    """Ten running faults that touch one another: searched, and the answer says what could be missed."""
    at = bay(*HARD, sound=600.0, hour_value=6.0)
    with pytest.raises(TooMany, match="combinations"):
        clusters(compared(at.case))
    plan = best_plan(at.case)
    assert plan.returns > 0
    assert 0 < plan.gap < 600


def test_pieces_hold_every_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into pieces of at most 100 plans, the same plans come out."""
    case = compared(CASES[0].case)
    together = clusters(case)
    whole = every_plan(case, together)
    monkeypatch.setattr("valuer.advice.work.plans.MOST_PLANS", 100)
    pieces = list(plans_in_pieces(case, together))
    assert MOST_PLANS > 100
    assert len(pieces) > 1
    assert sorted(np.concatenate([p.returns for p in pieces])) == pytest.approx(sorted(whole.returns))


def test_no_work_never_loses() -> None:
    """Selling as it stands is what losing is measured against."""
    at = bay("paint_faded:slight")
    plan = best_plan(at.case)
    assert not plan.works
    assert chance_of_loss(at.case, plan, 0.2, at.selling) == 0


def test_chance_of_loss_of_a_sure_price_is_the_chance_that_the_fix_fails() -> None:
    """With no spread of prices, a plan loses when its tries fail: starter noise, one try of .52."""
    at = bay("starter_noise:serious")
    case = possible(at.case)
    plans = every_plan(case, clusters(case))
    place = at.case.shop.names.index("pawl_repair")
    only = next(p for p in range(len(plans.returns)) if plan_at(plans, p).tries == ((place,),))
    plan: Plan = plan_at(plans, only)
    assert chance_of_loss(case, plan, 0.0, at.selling) == pytest.approx(0.48)


def test_more_spread_of_prices_makes_a_good_plan_less_safe() -> None:
    """T40 in spirit: the expected gain stays, the confidence falls."""
    at = bay("oil_leak_seal:serious", sound=400.0)
    plan = best_plan(at.case)
    risks = [chance_of_loss(at.case, plan, noise, at.selling) for noise in (0.05, 0.2, 0.4)]
    assert risks == sorted(risks)
    assert risks[0] < risks[2]
