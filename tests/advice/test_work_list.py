"""What is decided is what is told: every list adds up, names its cautions, and goes on as it said."""

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import course, ids, list_of, machine, terms, told
from tests.benchmark.machines import from_stock
from tests.benchmark.work import not_warned_of
from valuer.advice.work.bench import plan_and_rank
from valuer.advice.work.documents import WorkList
from valuer.advice.work.done import Done
from valuer.advice.work.work_list import work_lists

HOUR = 14.0
_, DRAWN = from_stock(28, 5)
MODEL = FakeModel(250.0)


@pytest.fixture(scope="module")
def lists() -> tuple[WorkList, ...]:
    """The lists of machines drawn from the market, each with the faults it has there."""
    return work_lists(DRAWN, MODEL, terms(hour_value=HOUR))


def test_every_list_adds_up(lists: tuple[WorkList, ...]) -> None:
    """A1: chance by minutes is the list's hours, by parts its cash; ends less costs are what is left."""
    working = [each for each in lists if each.expected_return > 0]
    assert len(working) > 10
    for each in lists:
        assert bool(each.steps) == (each.expected_return > 0) == (each.verdict == "go on"), each.id
        hours = sum(step.chance * step.minutes for step in each.steps) / 60
        cash = sum(step.chance * step.parts for step in each.steps)
        ends = sum(end.chance * end.proceeds for end in each.ends)
        assert hours == pytest.approx(each.bench_hours, abs=0.01), each.id
        assert cash == pytest.approx(each.cash, abs=0.05), each.id
        assert sum(end.chance for end in each.ends) == pytest.approx(1, abs=0.001), each.id
        assert ends - cash - hours * HOUR == pytest.approx(each.left, abs=0.5), each.id
        assert each.left - each.left_now == pytest.approx(each.expected_return, abs=0.02), each.id


def test_every_result_leads_to_a_step_that_is_there(lists: tuple[WorkList, ...]) -> None:
    """Chances of results sum to 1, those of what follows too, and no step comes from nowhere."""
    for each in lists:
        numbers = [step.number for step in each.steps]
        assert numbers == list(range(1, len(numbers) + 1))
        named = {then.step for step in each.steps for result in step.results for then in result.then}
        assert named - {None} == set(numbers[1:]), each.id
        for step in each.steps:
            assert sum(result.chance for result in step.results) == pytest.approx(1, abs=0.01)
            for result in step.results:
                assert sum(then.chance for then in result.then) == pytest.approx(1, abs=0.01)


def test_every_step_has_cautions(lists: tuple[WorkList, ...]) -> None:
    """A3: of its own work by the catalogue, fixes, looks and checks alike."""
    for each in lists:
        for step in each.steps:
            assert step.cautions if step.kind == "check" else not not_warned_of(step), (each.id, step.name)


def test_a_reason_speaks_of_its_own_step(lists: tuple[WorkList, ...]) -> None:
    """A2: what a step costs is its parts and own time, and no list is better without it."""
    for each in lists:
        for step in each.steps:
            assert step.brings >= 0
            if step.kind != "check":
                cost = step.parts + step.minutes / 60 * HOUR
                assert f"Costs {cost:.0f} " in step.why or abs(cost % 1 - 0.5) < 0.02, step.why
            if step.kind == "fix":
                assert ("cures some of it" in step.why) == (len(step.parts_of_it) > 1), step.why
        assert all(other.less >= 0 for other in each.others)


def test_the_bench_says_what_the_list_says(lists: tuple[WorkList, ...]) -> None:
    """A6: first step, return, hours and cash of one machine are the same wherever they stand."""
    plan, ranking = plan_and_rank(DRAWN, MODEL, terms(hour_value=HOUR))
    planned = {row.id: row for row in plan.machines}
    ranked = {row.id: row for row in ranking.machines}
    for each in lists:
        first = each.steps[0].name if each.steps else None
        row = ranked[each.id]
        assert row.first_step == planned[each.id].first_step == first
        assert row.steps == planned[each.id].steps == ids(each)
        assert row.expected_return == each.expected_return
        assert row.bench_hours == each.bench_hours
        assert row.sold_as == each.sold_as


GOES_ON = [
    ("oil_leak_unknown:serious",),
    ("no_start:serious",),
    ("vibration:serious",),
    ("surging:serious", "dirty:serious"),
]


@pytest.mark.parametrize("faults", GOES_ON)
@pytest.mark.parametrize("sound", [190.0, 400.0])
def test_after_a_first_step_the_list_is_the_branch_told(faults: tuple[str, ...], sound: float) -> None:
    """What was told before stays true: the next step and the money left of every result of a first step."""
    one = machine(*faults)
    before = list_of(one, sound=sound)
    if not before.steps:
        assert sound == 190.0  # work pays on every one of the dear machines
        return
    step = before.steps[0]
    for result in step.results:
        if "," in result.shows:
            continue
        part, fault = step.parts_of_it[0].id, step.parts_of_it[0].faults[0]
        if step.kind == "fix":
            gone = result.shows == "cured"
            done = Done(frozenset({fault} if gone else ()), {} if gone else {fault: frozenset({part})})
        else:
            done = Done(frozenset(), {}, {part: result.shows})
        after = list_of(one, done=done, sound=sound)
        (then,) = result.then
        expected = () if then.step is None else ids(before)[then.step - 1 : then.step]
        assert ids(after)[:1] == expected, result.shows
        assert after.left == pytest.approx(result.left, abs=0.02), result.shows


def test_work_that_was_hidden_is_told() -> None:
    """A1: a non-runner with stale fuel, front drive, five years: the list and what it brings stand together."""
    found = told("no_start:serious", "stale_fuel:serious", drive="front_one_speed", tier="mid", age_years=5.0)
    assert found.expected_return > 0
    assert found.steps
    assert found.summary.startswith("First:")


def test_the_crank_is_measured_before_money_is_spent_on_what_shakes() -> None:
    """A4: something was struck and it shakes: no blade is bought before the crank is proved straight."""
    found = told("vibration:serious", "blade_damaged:serious", checks={"recall": "passed"}, sound=400.0)
    assert found.steps[0].kind == "check"
    assert found.steps[0].parts_of_it[0].id == "crank"
    assert all(step.chance < 1 for step in found.steps[1:])


@pytest.mark.parametrize("hour", [0.0, 8.0])
def test_no_tachometer_on_an_engine_that_does_not_start(hour: float) -> None:
    """A4: a look at a running engine is no act on one that does not start.

    Two symptoms that share fixes: a session works twice on one of them, and a fix may come up for both.
    """
    found = told("no_start:serious", "surging:serious", sound=400.0, hour_value=hour)
    offered = {*ids(found), *(other.id for other in found.others)}
    assert not any("rpm" in name or "tach" in name for name in offered)
    hours = sum(step.chance * step.minutes for step in found.steps) / 60
    assert hours == pytest.approx(found.bench_hours, abs=0.02)


def test_the_remedy_of_a_recall_is_free_and_waits() -> None:
    """A11: parts cost nothing, weeks of waiting are told, and the bench tells them too."""
    (step,) = told("recall_open:serious").steps[:1]
    assert step.parts == 0
    assert step.waits_days >= 14
    plan, _ = plan_and_rank([machine("recall_open:serious")], FakeModel(), terms())
    assert plan.machines[0].waits_days == step.waits_days


def test_one_timed_run_does_not_prove_the_blade_stop() -> None:
    """A10: the gate asks for three runs (16 CFR 1205.5: the blade stops within 3 s)."""
    for runs, open_ in (([2.0], True), ([2.0, 2.1], True), ([2.0, 2.1, 2.2], False)):
        found = told(readings={"blade_stop_s": runs})
        assert ("blade_stop" in found.safety.unchecked) == open_
        assert ("blade_stop" in {gate.check for gate in found.before_sale}) == open_


def test_a_dear_symptom_is_not_starved_by_small_faults() -> None:
    """Of two ways to make room the better is taken, what was left out is named, and the gap covers it."""
    small = (
        "dirty:serious",
        "paint_faded:slight",
        "blade_dull:serious",
        "cable_frayed:serious",
        "bag_missing:serious",
    )
    more = ("stiff_roll:serious", "blade_damaged:serious", "wheel_wobble:slight", "air_filter_bad:serious")
    found = told("oil_leak_unknown:serious", *small, *more, sound=400.0)
    by_hand = told("oil_leak_unknown:serious", *more, sound=400.0)
    assert "left out for want of room" in found.method
    assert found.gap > 0
    first = {part.id for step in found.steps if step.kind == "look" for part in step.parts_of_it}
    step = found.steps[0]
    for result in step.results:  # and what was left out stays out, so that the list goes on as told
        seen = {step.parts_of_it[0].id: result.shows}
        after = course("oil_leak_unknown:serious", *small, *more, sound=400.0, seen=seen)
        assert step.kind == "look"
        assert after.left == pytest.approx(result.left, abs=0.02), result.shows
    assert first & {part.id for step in by_hand.steps if step.kind == "look" for part in step.parts_of_it}


@pytest.mark.parametrize("faults", [("vibration:serious", "blade_damaged:serious"), ("no_start:serious",)])
def test_after_a_check_is_passed_the_list_is_the_branch_told(faults: tuple[str, ...]) -> None:
    """Its minutes are charged once: before the work, not again before the sale."""
    checks: dict[str, str] = {}
    before = told(*faults, checks=checks, sound=400.0)
    assert before.steps[0].kind == "check"
    while before.steps[0].kind == "check":
        passed, checks = before.steps[0].results[0], {**checks, before.steps[0].parts_of_it[0].id: "passed"}
        after = told(*faults, checks=checks, sound=400.0)
        assert after.left == pytest.approx(passed.left, abs=0.02)
        assert [step.name for step in after.steps] == [step.name for step in before.steps[1:]]
        before = after


def test_who_sells_it_as_it_stands_pays_for_the_checks_as_well() -> None:
    """The recall lists, 5 minutes (judgement), come before any work; without work they are not saved."""
    passed, open_ = (
        told("bag_missing:serious", sound=400.0),
        told("bag_missing:serious", sound=400.0, checks={}),
    )
    assert [step.kind for step in open_.steps[:2]] == ["check", "fix"]
    assert passed.ways_now[0].left - open_.ways_now[0].left == pytest.approx(5 / 60 * 15, abs=0.01)
