"""The bench: order, this week's plans, and what is left."""

import random

import numpy as np
import pytest

from tests.advice.fake import EFFECTS, FakeModel
from tests.advice.make import bay, machine, terms
from valuer.advice.ports import FloatArray
from valuer.advice.work.bay import bays
from valuer.advice.work.bench import plan_and_rank, plan_bench, rank_bench, worthwhile
from valuer.advice.work.clusters import Case, clusters
from valuer.advice.work.plans import every_plan
from valuer.advice.work.policies import usual_workshop
from valuer.advice.work.pruning import possible
from valuer.advice.work.search import best_plan
from valuer.domain.machine import Machine

ABLE = sorted(set(EFFECTS) - {"recall_open", "estart_dead"})


def random_bench(count: int, seed: int = 1) -> tuple[list[Machine], FakeModel]:
    """Machines with one to four faults, worth 60 to 400 when sound."""
    rng = random.Random(seed)
    machines = [
        machine(
            *(f"{name}:{rng.choice(['slight', 'serious'])}" for name in rng.sample(ABLE, rng.randint(1, 4))),
            id=f"m{place}",
        )
        for place in range(count)
    ]
    return machines, FakeModel(by_id={m.id: rng.choice([60.0, 120.0, 190.0, 400.0]) for m in machines})


def test_ranking_is_by_return_per_hour() -> None:
    """The limiting factor is the bench hour."""
    machines, model = random_bench(20)
    rows = rank_bench(machines, model, terms()).machines
    assert [row.return_per_hour for row in rows] == sorted(
        (row.return_per_hour for row in rows), reverse=True
    )
    assert {row.id for row in rows} == {m.id for m in machines}


def test_a_machine_with_no_work_that_pays_comes_last() -> None:
    """It is sold as it stands, and brings nothing per hour."""
    rows = rank_bench(
        [machine("paint_faded:slight", id="idle"), machine("fuel_leak_line:serious", id="leak")],
        FakeModel(),
        terms(),
    ).machines
    assert [row.id for row in rows] == ["leak", "idle"]
    assert rows[1].plan == ()
    assert rows[1].value_now == rows[1].value_after


def test_ranking_figures_by_hand() -> None:
    """A serious line leak: 66.50 for repair; a new line holds .92 (7, .30 h), a tank or cap .88 (25, .65 h).

    Gain 123.50. First 7 + 4.50 = 11.50; if it fails (.08) 25 + 9.75 = 34.75 brings .88 x 123.50. Return .92 x
    123.50 - 11.50 + .08 x (.88 x 123.50 - 34.75) = 108.0344; hours .30 + .08 x .65 = .352.
    """
    row = rank_bench([machine("fuel_leak_line:serious")], FakeModel(), terms()).machines[0]
    assert row.value_now == 66.50
    assert row.bench_hours == 0.352
    assert row.expected_return == 108.03
    assert row.return_per_hour == pytest.approx(108.0344 / 0.352, abs=0.01)
    assert row.value_after == pytest.approx(66.50 + 123.50 * (1 - 0.08 * 0.12), abs=0.01)
    assert row.sold_as == "working"


def test_all_machines_go_to_the_model_in_one_call_for_values() -> None:
    """One call for all values (the fake's interval asks for values once more)."""
    machines, model = random_bench(30)
    rank_bench(machines, model, terms())
    assert model.calls == 2


def test_plans_within_the_week() -> None:
    """Neither hours nor cash are overrun, and one machine has one plan."""
    machines, model = random_bench(25)
    plan = plan_bench(machines, model, terms(hours=4.0, cash=60.0))
    working = [row for row in plan.machines if row.action == "work"]
    assert working
    assert sum(row.bench_hours for row in working) <= 4.0 + 1e-6
    assert sum(row.cash for row in working) <= 60.0 + 1e-6
    assert len({row.id for row in plan.machines}) == 25
    assert plan.gap == 0


def test_without_limits_every_machine_gets_its_best_plan() -> None:
    """With no limit the choice is each machine's own best."""
    machines, model = random_bench(12)
    plan = plan_bench(machines, model, terms())
    ranked = {row.id: row.expected_return for row in rank_bench(machines, model, terms()).machines}
    for row in plan.machines:
        assert row.expected_return == ranked[row.id]


@pytest.mark.parametrize(("hours", "cash"), [(None, None), (3.0, 40.0), (0.5, None), (None, 15.0)])
@pytest.mark.parametrize("margin", [0.0, 5.0])
def test_plan_and_ranking_of_one_pass_are_those_asked_for_apart(
    hours: float | None, cash: float | None, margin: float
) -> None:
    """The ranking takes its plans from those of the week, and each is still the best within the limits."""
    machines, model = random_bench(15)
    asked = terms(hours=hours, cash=cash, margin=margin)
    plan, ranking = plan_and_rank(machines, model, asked)
    assert plan == plan_bench(machines, model, asked)
    alone = {row.id: row for row in rank_bench(machines, model, asked).machines}
    for row in ranking.machines:
        assert row.expected_return == pytest.approx(alone[row.id].expected_return, abs=1e-6)
    assert len(ranking.machines) == len(alone)


def test_an_hour_more_is_worth_what_the_next_choice_brings() -> None:
    """Two machines, an hour for one: the second's plan is what the next hour brings.

    A line leak brings 108.03 for .352 h, and a machine worth twice as much more for the same hours.
    """
    two = [machine("fuel_leak_line:serious", id="a"), machine("fuel_leak_line:serious", id="b")]
    model = FakeModel(by_id={"a": 190.0, "b": 380.0})
    plan = plan_bench(two, model, terms(hours=0.4))
    assert [row.id for row in plan.machines if row.action == "work"] == ["b"]
    assert [row.action for row in plan.machines] == ["work", "not this week"]
    assert plan.one_more_hour == pytest.approx(108.03, abs=0.01)


def test_more_cash_lets_the_fallback_in() -> None:
    """With 10 in the purse only the new line can be bought; a tank or cap if it fails makes it 32."""
    leak = [machine("fuel_leak_line:serious")]
    narrow = plan_bench(leak, FakeModel(), terms(cash=10.0))
    assert narrow.machines[0].cash == 7.0
    assert narrow.machines[0].expected_return == pytest.approx(0.92 * 123.5 - 11.5, abs=0.01)
    wide = plan_bench(leak, FakeModel(), terms(cash=32.0))
    assert wide.machines[0].cash == 32.0
    assert plan_bench(leak, FakeModel(), terms(cash=22.0)).ten_more_cash == pytest.approx(
        108.03 - (0.92 * 123.5 - 11.5), abs=0.02
    )


def test_what_is_left_is_sold_broken_or_scrapped() -> None:
    """No work pays on these: a faded one is sold, a rotten deck on a good engine broken, a dead one scrapped.

    Rotten: for repair 190 x .45 x .70 = 59.85 less 27 of selling; parts 137 x .6 less 45 for stripping and
    shelf.
    """
    bench = [
        machine("paint_faded:slight", id="faded"),
        machine("deck_rust_hole:serious", id="rotten"),
        machine("bent_crank:serious", "deck_rust_hole:serious", "drive_none:serious", id="dead"),
    ]
    model = FakeModel(by_id={"faded": 190.0, "rotten": 190.0, "dead": 40.0})
    actions = {row.id: row.action for row in plan_bench(bench, model, terms()).machines}
    assert actions == {"faded": "sell as it stands", "rotten": "break for parts", "dead": "scrap"}


def test_a_machine_brings_no_plan_that_another_of_its_plans_beats() -> None:
    """In return, hours and worst-case cash at once."""
    at = bay("fuel_leak_carb:serious", "starter_noise:serious", "stiff_roll:serious", sound=300.0)
    plans = worthwhile(at.case, terms())
    assert len(plans) > 3
    for one in plans:
        for other in plans:
            if one is not other:
                beaten = (
                    other.returns >= one.returns
                    and other.hours <= one.hours
                    and other.worst_cash <= one.worst_cash
                )
                assert not beaten
    assert max(plan.returns for plan in plans) == pytest.approx(best_plan(at.case).returns)


@pytest.mark.parametrize(
    ("hours", "cash"), [(1.0, 20.0), (2.0, 60.0), (0.5, 150.0), (None, 40.0), (1.5, None)]
)
def test_the_week_equals_brute_force(hours: float | None, cash: float | None) -> None:
    """Four machines: every plan of each with every plan of the others."""
    rng = random.Random(8)
    for seed in range(6):
        machines = [
            machine(*(f"{name}:serious" for name in rng.sample(ABLE, rng.randint(1, 2))), id=f"m{place}")
            for place in range(4)
        ]
        model, asked = FakeModel(by_id={"m0": 400.0, "m1": 250.0}), terms(hours=hours, cash=cash)
        every = bays(machines, model, asked, usual_workshop())
        front = np.zeros((1, 3))
        for at in every:
            front = best_of_each((front[:, None] + every_sum(at.case)).reshape(-1, 3), hours, cash)
        found = plan_bench(machines, model, asked)
        rounding = 0.005 * len(machines)
        assert found.expected_return == pytest.approx(front[:, 0].max(), abs=rounding), seed


def every_sum(case: Case) -> FloatArray:
    """Return, hours and worst-case cash of every plan of a machine, shape (n_plans, 3)."""
    whole = possible(case)
    plans = every_plan(whole, clusters(whole))
    rows = np.stack([plans.returns, plans.hours, plans.worst_cash], axis=1)
    return best_of_each(rows[rows[:, 0] >= 0], None, None)


def best_of_each(rows: FloatArray, hours: float | None, cash: float | None) -> FloatArray:
    """The rows within the limits that no other beats in all three."""
    top = np.array([np.inf, np.inf if hours is None else hours, np.inf if cash is None else cash])
    rows = rows[(rows <= top + 1e-9).all(axis=1)]
    kept: list[FloatArray] = []
    for row in rows[np.lexsort((rows[:, 2], rows[:, 1], -rows[:, 0]))]:
        if not any(other[1] <= row[1] and other[2] <= row[2] for other in kept):
            kept.append(row)
    return np.array(kept)


def test_two_hundred_machines_in_one_run() -> None:
    """Proved best: gap 0."""
    machines, model = random_bench(200)
    plan = plan_bench(machines, model, terms(hours=6.0, cash=80.0))
    assert plan.gap == 0
    assert plan.bench_hours <= 6.0 + 1e-6
    assert plan.cash <= 80.0 + 1e-6
    assert plan.one_more_hour >= 0
    assert plan.ten_more_cash >= 0
