"""This week's choice is proved best: known optima, the greedy trap, and brute force."""

import tracemalloc
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from valuer.advice.work import knapsack
from valuer.advice.work.knapsack import Offers, best_choice

Offer = tuple[float, float, float]


def offers(*plans: Offer) -> Offers:
    """One machine's plans: (gain, hours, cash) each."""
    columns = np.array(plans, dtype=np.float64).reshape(-1, 3).T
    return Offers(*columns)


def test_known_optimum() -> None:
    """Ten things, capacity 165: 309 (data from memory, optimum recomputed by trying all 1,024)."""
    weights = (23, 31, 29, 44, 53, 38, 63, 85, 89, 82)
    values = (92, 57, 49, 68, 60, 43, 67, 84, 87, 72)
    tried = max(
        sum(v for v, x in zip(values, take, strict=True) if x)
        for take in product((0, 1), repeat=10)
        if sum(w for w, x in zip(weights, take, strict=True) if x) <= 165
    )
    found = best_choice([offers((v, w, 0.0)) for v, w in zip(values, weights, strict=True)], 165.0, None)
    assert tried == 309
    assert found.gain == 309
    assert found.gap == pytest.approx(0, abs=1e-6)


def test_greedy_trap() -> None:
    """Weights 10 20 30, values 60 100 120, capacity 50: greedily 160, the best is 220 (derived)."""
    things = [offers((60, 10, 0)), offers((100, 20, 0)), offers((120, 30, 0))]
    assert best_choice(things, 50.0, None).gain == 220


def test_one_plan_a_machine() -> None:
    """Two plans of one machine are never done both, though both would fit."""
    found = best_choice([offers((10, 1, 1), (12, 2, 2))], 10.0, 10.0)
    assert found.plans == (1,)
    assert found.gain == 12


def test_machines_without_plans_are_left() -> None:
    """A machine with nothing that pays brings no plan."""
    found = best_choice([offers(), offers((5, 1, 0)), offers()], 1.0, 0.0)
    assert found.plans == (None, 0, None)


def test_what_does_not_fit_is_not_done_though_nothing_else_could_bring_more() -> None:
    """No hours and no cash: a plan that costs 1 and brings 1 is left, alone or beside one that costs nothing."""
    assert best_choice([offers(), offers((1, 0, 1))], 0.0, 0.0).plans == (None, None)
    assert best_choice([offers((1, 0, 1)), offers((2, 0, 0))], 0.0, 0.0).plans == (None, 0)


def test_nothing_to_choose() -> None:
    """An empty bench, and one with nothing worth doing."""
    assert best_choice([], 5.0, 5.0).plans == ()
    assert best_choice([offers()], None, None).gain == 0


def test_many_machines_are_no_table_of_each_beside_each() -> None:
    """4,000 machines of a plan each: a table of every machine beside every plan takes 128 MB."""
    rng = np.random.default_rng(3)
    gains, hours = rng.uniform(5, 100, 4000), rng.uniform(0.2, 3, 4000)
    machines = [offers((gain, hour, 0.0)) for gain, hour in zip(gains, hours, strict=True)]
    best_choice(machines[:10], 6.0, None)  # what is imported is no part of it
    tracemalloc.start()
    try:
        found = best_choice(machines, 6.0, None)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert sum(hours[place] for place, plan in enumerate(found.plans) if plan is not None) <= 6.0 + 1e-6
    assert peak < 32e6


PLAN = st.tuples(st.integers(1, 100), st.integers(0, 20), st.integers(0, 60)).map(
    lambda plan: (float(plan[0]), plan[1] / 4, float(plan[2]))
)

LIMIT = st.integers(0, 32).map(lambda quarters: quarters / 4)
CASH = st.integers(0, 80).map(float)


@settings(max_examples=40)
@given(st.lists(st.lists(PLAN, max_size=4), min_size=4, max_size=4), LIMIT, CASH)
def test_four_machines_by_brute_force(bench: list[list[Offer]], hours: float, cash: float) -> None:
    """Every choice of at most one plan on each of four machines."""
    choices = [[None, *plans] for plans in bench]
    best = 0.0
    for chosen in product(*choices):
        done = [plan for plan in chosen if plan is not None]
        if sum(p[1] for p in done) <= hours and sum(p[2] for p in done) <= cash:
            best = max(best, sum(p[0] for p in done))
    found = best_choice([offers(*plans) for plans in bench], hours, cash)
    assert found.gain == pytest.approx(best, abs=1e-5)
    used = [plans[x] for plans, x in zip(bench, found.plans, strict=True) if x is not None]
    assert sum(p[1] for p in used) <= hours + 1e-6
    assert sum(p[2] for p in used) <= cash + 1e-6


@settings(max_examples=25)
@given(st.lists(st.lists(PLAN, max_size=3), min_size=3, max_size=6), LIMIT, CASH)
def test_more_hours_or_cash_never_lower_the_gain(bench: list[list[Offer]], hours: float, cash: float) -> None:
    """The price of one more hour or of ten more in cash is never negative."""
    machines = [offers(*plans) for plans in bench]
    gain = best_choice(machines, hours, cash).gain
    assert best_choice(machines, hours + 1, cash).gain >= gain - 1e-6
    assert best_choice(machines, hours, cash + 10).gain >= gain - 1e-6
    assert best_choice(machines, None, None).gain >= gain - 1e-6


def drawn(seed: int, machines: int, *, alike: bool) -> list[Offers]:
    """Some plans a machine; alike: every plan brings about the same for its hours and cash, and the choice is hard."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(machines):
        hours = rng.uniform(0.3, 3.0, rng.integers(0, 4))
        cash = 10 + 20 * hours + rng.normal(size=len(hours)) if alike else rng.uniform(0, 60, len(hours))
        gain = (
            20 + 30 * hours + rng.normal(size=len(hours))
            if alike
            else hours * rng.uniform(10, 60, len(hours))
        )
        found.append(Offers(gain, hours, cash))
    return found


def by_integer_programme(machines: list[Offers], hours: float, cash: float) -> float:
    """The best total gain, by SciPy's `milp` (HiGHS), solved to a gap of 0."""
    gain, used_hours, used_cash = (
        np.concatenate([getattr(each, name) for each in machines]) for name in ("gain", "hours", "cash")
    )
    owner = np.repeat(np.arange(len(machines)), [len(each.gain) for each in machines])
    one_each = (owner == np.arange(len(machines))[:, None]).astype(float)
    solved = milp(
        -gain,
        integrality=np.ones(len(gain), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=[
            LinearConstraint(one_each, ub=np.ones(len(machines))),
            LinearConstraint(np.array([used_hours, used_cash]), ub=[hours, cash]),
        ],
        options={"mip_rel_gap": 0},
    )
    return float(gain @ np.asarray(solved.x))


@pytest.mark.parametrize("alike", [False, True])
@pytest.mark.parametrize(
    ("machines", "hours", "cash"), [(12, 6.0, 100.0), (60, 12.0, 10_000.0), (60, 6.0, 120.0)]
)
def test_as_good_as_an_integer_programme(machines: int, hours: float, cash: float, *, alike: bool) -> None:
    """Against a general solver of a library, each limit binding in turn and both at once; the gap says it is proved."""
    for seed in range(4):
        bench = drawn(seed, machines, alike=alike)
        found = best_choice(bench, hours, cash)
        assert found.gain == pytest.approx(by_integer_programme(bench, hours, cash), abs=1e-5)
        assert found.gap == pytest.approx(0, abs=1e-6)


def test_what_is_given_up_for_want_of_room_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """With room for three choices begun, the best is missed at times, and never by more than the gap says."""
    monkeypatch.setattr(knapsack, "MOST_BEGUN", 3)
    missed = 0
    for seed in range(30):
        bench = drawn(seed, 12, alike=True)
        found, best = best_choice(bench, 6.0, 100.0), by_integer_programme(bench, 6.0, 100.0)
        assert best <= found.gain + found.gap + 1e-5
        missed += found.gain < best - 1e-5
    assert missed, "the test is one"
