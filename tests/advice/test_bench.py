"""The bench: order, this week's plans, and what is left."""

import random
from itertools import product

import pytest

from tests.advice.fake import EFFECTS, FakeModel
from tests.advice.make import course, job, list_of, machine, terms
from valuer.advice.work import bench
from valuer.advice.work.bench import plan_and_rank, plan_bench, rank_bench
from valuer.advice.work.course import no_work, offers
from valuer.advice.work.job import jobs
from valuer.advice.work.ways_out import PARTS_SOLD
from valuer.advice.worth import lattice
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

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
    machines, model = random_bench(8)
    rows = rank_bench(machines, model, terms()).machines
    assert [row.return_per_hour for row in rows] == sorted(
        (row.return_per_hour for row in rows), reverse=True
    )
    assert {row.id for row in rows} == {m.id for m in machines}


@pytest.mark.parametrize("asked", [terms(), terms(hours=3.0, cash=60.0)])
def test_a_bench_in_portions_is_the_bench_in_one(monkeypatch: pytest.MonkeyPatch, asked: ShopTerms) -> None:
    """Trees and rows of a few machines at a time are in memory; parts are exchanged on a bench of one portion only."""
    machines, model = random_bench(11, seed=4)
    whole = plan_and_rank(machines, model, asked)
    monkeypatch.setattr(bench, "AT_ONCE", 4)
    monkeypatch.setattr(lattice, "ROWS_AT_ONCE", 20)
    parts = plan_and_rank(machines, model, asked)
    assert parts[0].model_copy(update={"donors": whole[0].donors}) == whole[0]
    assert parts[1] == whole[1]


def test_a_machine_with_no_work_that_pays_comes_last() -> None:
    """It is sold as it stands, and brings nothing per hour."""
    rows = rank_bench(
        [machine("paint_faded:slight", id="idle"), machine("fuel_leak_line:serious", id="leak")],
        FakeModel(),
        terms(),
    ).machines
    assert [row.id for row in rows] == ["leak", "idle"]
    assert rows[1].steps == ()
    assert rows[1].first_step is None
    assert rows[1].return_per_hour == 0
    assert rows[1].value_now == rows[1].value_after


def test_ranking_figures_are_those_of_the_machines_own_list() -> None:
    """A6: a bench cell says what the machine's own page says."""
    row = rank_bench([machine("fuel_leak_line:serious")], FakeModel(), terms()).machines[0]
    own = course("fuel_leak_line:serious")
    assert row.value_now == 66.50
    assert row.bench_hours == pytest.approx(own.hours, abs=0.001)
    assert row.expected_return == pytest.approx(own.returns, abs=0.005)
    assert row.return_per_hour == pytest.approx(own.returns / own.hours, abs=0.01)
    assert row.sold_as == "working"


def test_plans_within_the_week() -> None:
    """Neither hours nor cash are overrun, and one machine has one plan."""
    machines, model = random_bench(8)
    plan = plan_bench(machines, model, terms(hours=4.0, cash=60.0))
    working = [row for row in plan.machines if row.action == "work"]
    assert working
    assert sum(row.bench_hours for row in working) <= 4.0 + 1e-6
    assert sum(row.cash for row in working) <= 60.0 + 1e-6
    assert len({row.id for row in plan.machines}) == 8
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
    machines, model = random_bench(4)
    asked = terms(hours=hours, cash=cash, margin=margin)
    plan, ranking = plan_and_rank(machines, model, asked)
    assert plan == plan_bench(machines, model, asked)
    alone = {row.id: row for row in rank_bench(machines, model, asked).machines}
    for row in ranking.machines:
        assert row.expected_return == pytest.approx(alone[row.id].expected_return, abs=1e-6)
    assert len(ranking.machines) == len(alone)


def test_an_hour_more_is_worth_what_the_next_choice_brings() -> None:
    """Two machines, hours for one: the list of the other is what the next hour brings."""
    two = [machine("oil_leak_seal:serious", id="a"), machine("oil_leak_seal:serious", id="b")]
    model = FakeModel(by_id={"a": 190.0, "b": 380.0})
    free = {row.id: row for row in plan_bench(two, model, terms()).machines}
    plan = plan_bench(two, model, terms(hours=free["b"].bench_hours * 1.05))
    assert [row.id for row in plan.machines if row.action == "work"] == ["b"]
    assert [row.action for row in plan.machines] == ["work", "not this week"]
    assert plan.one_more_hour == pytest.approx(free["a"].expected_return, abs=0.02)


def test_more_cash_lets_the_dearer_list_in() -> None:
    """The purse binds the worst case; what ten more would bring is the difference of the two weeks."""
    seal = [machine("oil_leak_seal:serious")]
    needed = plan_bench(seal, FakeModel(), terms(cash=200.0)).machines[0].cash
    short = plan_bench(seal, FakeModel(), terms(cash=needed - 1.0))
    wide = plan_bench(seal, FakeModel(), terms(cash=needed + 9.0))
    assert short.machines[0].cash <= needed - 1.0
    assert short.ten_more_cash == pytest.approx(wide.expected_return - short.expected_return, abs=0.02)
    assert short.ten_more_cash > 0


def test_what_is_left_is_sold_broken_or_scrapped() -> None:
    """No work pays on these: a faded one is sold, a cheap rotten deck on a good engine broken, a dead one scrapped.

    Rotten: a buyer gives 100 x .45 x .70 = 31.50 less selling; the good parts bring more.
    """
    bench = [
        machine("paint_faded:slight", id="faded"),
        machine("deck_rust_hole:serious", id="rotten"),
        machine("bent_crank:serious", "deck_rust_hole:serious", "drive_none:serious", id="dead"),
    ]
    model = FakeModel(by_id={"faded": 190.0, "rotten": 100.0, "dead": 40.0})
    actions = {row.id: row.action for row in plan_bench(bench, model, terms()).machines}
    assert actions == {"faded": "sell as it stands", "rotten": "break for parts", "dead": "scrap"}


def test_a_machine_brings_no_list_that_another_of_its_lists_beats() -> None:
    """In return, hours and worst-case cash at once."""
    at = job("fuel_leak_carb:serious", "starter_noise:serious", "stiff_roll:serious", sound=300.0)
    lists = offers(at)
    assert len(lists) > 1
    for one in lists:
        for other in lists:
            if one is not other:
                assert other.score < one.score or other.hours > one.hours or other.worst_cash > one.worst_cash
    assert max(one.returns for one in lists) == pytest.approx(at.gain)


@pytest.mark.parametrize(
    ("hours", "cash"), [(1.0, 20.0), (2.0, 60.0), (0.5, 150.0), (None, 40.0), (1.5, None)]
)
def test_the_week_equals_every_choice_of_lists(hours: float | None, cash: float | None) -> None:
    """Three machines: every list of each with every list of the others, in plain Python."""
    rng = random.Random(8)
    machines = [
        machine(*(f"{name}:serious" for name in rng.sample(ABLE, rng.randint(1, 2))), id=f"m{place}")
        for place in range(3)
    ]
    model, asked = FakeModel(by_id={"m0": 400.0, "m1": 250.0}), terms(hours=hours, cash=cash)
    every = [[*offers(at), no_work(at)] for at in jobs(machines, model, asked)]
    best = max(
        sum(one.returns for one in chosen)
        for chosen in product(*every)
        if (hours is None or sum(one.hours for one in chosen) <= hours + 1e-6)
        and (cash is None or sum(one.worst_cash for one in chosen) <= cash + 1e-6)
    )
    found = plan_bench(machines, model, asked)
    assert found.expected_return == pytest.approx(best, abs=0.02)
    assert found.gap == 0


def test_an_engine_is_worth_what_it_is_whatever_deck_is_above_it() -> None:
    """A12: a good engine under a rusty deck goes in bits, not for scrap, and as much under a cheap chassis."""
    rotten = machine("deck_rust_hole:serious", engine_class="mid_ohv", id="rotten")
    parts = [
        next(way.left for way in found.ways_now if way.route == "for parts")
        for found in (list_of(rotten, sound=sound) for sound in (60.0, 190.0, 400.0))
    ]
    assert parts[0] == parts[1] == parts[2]
    plain = list_of(machine(engine_class="mid_ohv"))
    dead = list_of(machine("rod_knock:serious", engine_class="mid_ohv"))
    engine = next(way.left for way in plain.ways_now if way.route == "for parts") - next(
        way.left for way in dead.ways_now if way.route == "for parts"
    )
    assert engine == pytest.approx(45.0 * PARTS_SOLD, abs=0.01)  # an engine brings 45; not all of it comes in


def test_a_donor_is_told_where_two_make_one() -> None:
    """A12: a good engine of a rotten machine in a dear one with a bent crank."""
    bench = [
        machine("deck_rust_hole:serious", id="rotten"),
        machine("bent_crank:serious", id="dear"),
    ]
    found = plan_bench(bench, FakeModel(by_id={"rotten": 90.0, "dear": 500.0}), terms())
    told = {(donor.part, donor.donor, donor.into) for donor in found.donors}
    assert ("engine", "rotten", "dear") in told
    assert all(donor.brings > 0 and donor.donor != donor.into for donor in found.donors)
    recalled = [machine("deck_rust_hole:serious", "recall_open:serious", id="rotten"), bench[1]]
    barred = plan_bench(recalled, FakeModel(by_id={"rotten": 90.0, "dear": 500.0}), terms())
    assert all(donor.donor != "rotten" for donor in barred.donors)


def test_a_pushed_machine_goes_in_the_same_bits_but_for_the_gearbox() -> None:
    """A used gearbox brings 30 (common practice, no source)."""
    driven, pushed = (
        next(way.left for way in list_of(machine(drive=drive)).ways_now if way.route == "for parts")
        for drive in ("rear_variable", "push")
    )
    assert driven - pushed == pytest.approx(30.0 * PARTS_SOLD, abs=0.01)
