"""The answers keep their names, their cents and their word."""

import json
import re

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import ids, list_of, machine, terms, told
from valuer.advice.work.bench import plan_bench, rank_bench
from valuer.advice.work.documents import WorkList
from valuer.advice.work.work_list import work_lists
from valuer.advice.worth.valuation import value_machines
from valuer.domain.fixes import fix_catalogue
from valuer.domain.machine import Machine
from valuer.domain.safety import cautions_for

BUSY = machine("fuel_leak_carb:serious", "starter_noise:slight", "stiff_roll:serious", "paint_faded:slight")
WORN = machine("no_start:serious", "stale_fuel:serious", drive="front_one_speed", tier="mid", age_years=5)


def test_names_others_rely_on() -> None:
    """The names agreed for valuations, work lists and bench rankings."""
    value = json.loads(value_machines([BUSY], FakeModel(), terms())[0].model_dump_json())
    assert {"id", "value", "fault_costs", "safety", "cautions", "warnings", "basis"} <= set(value)
    assert {"amount", "low", "high", "coverage", "currency"} <= set(value["value"])
    assert {"fault", "severity", "cured_alone", "lost_alone", "share", "records"} <= set(
        value["fault_costs"][0]
    )
    assert {"may_be_sold", "must_cure", "unchecked"} <= set(value["safety"])
    found = json.loads(list_of(BUSY).model_dump_json())
    assert {"steps", "ends", "expected_return", "bench_hours", "cash", "left", "left_now"} <= set(found)
    bench = json.loads(rank_bench([BUSY], FakeModel(), terms()).model_dump_json())["machines"][0]
    row = {"id", "value_now", "value_after", "expected_return", "bench_hours", "return_per_hour"}
    assert row | {"chance_of_loss", "first_step", "steps"} <= set(bench)


@pytest.mark.parametrize("one", [BUSY, WORN, machine("vibration:serious"), machine("dirty:serious")])
def test_the_told_steps_add_up_to_the_list(one: object) -> None:
    """Hours, parts and what is left are the sums of what is told, to the cent; the docstring of WorkList says how."""
    found = list_of(one)  # type: ignore[arg-type]
    hours = sum(step.chance * step.minutes / 60 for step in found.steps)
    parts = sum(step.chance * step.parts for step in found.steps)
    ends = sum(end.chance * end.proceeds for end in found.ends)
    assert found.bench_hours == pytest.approx(hours, abs=0.002)
    assert found.cash == pytest.approx(parts, abs=0.05)
    assert found.left == pytest.approx(ends - parts - hours * found.hour_value, abs=0.1)
    assert found.expected_return == pytest.approx(found.left - found.left_now, abs=0.02)
    assert sum(end.chance for end in found.ends) == pytest.approx(1, abs=1e-3)
    for step in found.steps:
        assert sum(result.chance for result in step.results) == pytest.approx(1, abs=1e-3)


def test_work_that_pays_is_told() -> None:
    """Stale fuel behind an engine that will not start: work that pays never vanishes from the answer."""
    found = list_of(WORN)
    assert found.expected_return > 20
    assert {"tank_flush", "basic_service"} & set(ids(found))
    row = rank_bench([WORN], FakeModel(), terms()).machines[0]
    week = plan_bench([WORN], FakeModel(), terms()).machines[0]
    assert row.first_step == week.first_step == found.steps[0].name
    assert row.expected_return == week.expected_return == found.expected_return


def test_every_step_has_the_cautions_of_its_own_work() -> None:
    """Those of the fix as the catalogue has them; every look has the plug lead or says why it needs none."""
    for one in (BUSY, WORN, machine("vibration:serious")):
        for step in list_of(one).steps:
            if step.kind == "fix":
                wanted = cautions_for(part.id for part in step.parts_of_it)
                assert {f"{caution.title}: {caution.words}" for caution in wanted} <= set(step.cautions)
            assert step.cautions


def test_the_next_list_is_the_branch_told_before() -> None:
    """After each result of the first step: the step told as next, and the money told as left."""
    before = told("starter_noise:serious")
    first = before.steps[0]
    numbers = {step.number: step for step in before.steps}
    for result in first.results:
        after = (
            told("starter_noise:serious", seen={first.parts_of_it[0].id: result.shows})
            if first.kind == "look"
            else None
        )
        if after is None:
            continue
        (then,) = result.then
        assert (after.steps[0].name if after.steps else None) == (
            numbers[then.step].name if then.step is not None else None
        )
        assert after.left == pytest.approx(result.left, abs=0.02)


def test_other_first_steps_never_leave_more() -> None:
    """What else could come first costs what it says: nothing or more."""
    found = list_of(BUSY)
    assert found.others
    assert min(other.less for other in found.others) >= 0


def test_a_part_pays_up_to_the_price_told() -> None:
    """A little dearer than told and the step is off the list; a little cheaper and it is on it."""
    found = told("oil_leak_minor:serious", sound=400.0)
    (step,) = [each for each in found.steps if each.kind == "fix"]
    assert step.pays_until is not None
    name = step.parts_of_it[0].id
    for price, on in ((step.pays_until - 0.5, True), (step.pays_until + 0.5, False)):
        asked = told("oil_leak_minor:serious", sound=400.0, own_parts={name: price})
        assert (name in ids(asked)) is on


def test_a_part_that_is_new_is_not_fitted_again() -> None:
    """Named as new on this machine, its fix is no act."""
    assert "blade_new" in ids(told("blade_damaged:serious", sound=400.0))
    assert "blade_new" not in ids(told("blade_damaged:serious", sound=400.0, new_parts=["blade_new"]))


def test_a_seized_engine_is_known_for_what_it_is() -> None:
    """With the cause known only another engine is offered, or nothing."""
    found = told("no_start:serious", sound=400.0, causes={"no_start": "seized"})
    assert set(ids(found)) <= {"used_engine"}
    assert found.symptoms[0].causes[0].cause == "seized"


def test_cautions_stand_beside_what_is_advised() -> None:
    """Petrol for carburettor work, the plug lead for anything by hand."""
    titles = {line.split(":")[0] for step in list_of(BUSY).steps for line in step.cautions}
    assert {"Plug lead off", "Petrol"} <= titles


def test_the_safety_verdict_names_its_sources_and_defers() -> None:
    """16 CFR 1205.5 and 15 USC 2068, local law, licensed repairers."""
    sources = " ".join(list_of(BUSY).safety.sources)
    for word in ("16 CFR 1205.5", "15 USC 2068", "local law", "licensed"):
        assert word in sources


def test_warnings_say_synthetic_once_and_few_records() -> None:
    """Ten sales show a bent crank in the fake model: its cost is a guess."""
    found = value_machines([machine("bent_crank:serious", age_years=20.0)], FakeModel(), terms(month=12))[0]
    text = " ".join(found.warnings)
    assert text.count("synthetic") == 1
    assert "Only 10 training sales show serious bent_crank" in text
    assert "20 years old" in text
    assert "December is out of season" in text
    assert "ask again for April" in text
    assert "Not known" in text


def test_southern_seasons_are_turned_round() -> None:
    """December is high season in the south, June is not, and its spring is ours turned by half a year."""
    found = value_machines([machine()], FakeModel(), terms(month=12, hemisphere="south"))[0]
    assert not any("out of season" in line for line in found.warnings)
    found = value_machines([machine()], FakeModel(), terms(month=6, hemisphere="south"))[0]
    assert "June is out of season" in " ".join(found.warnings)
    assert "ask again for October" in " ".join(found.warnings)


def by_hour(*hours: float, **more: float) -> WorkList:
    """The list of the busy machine at several values of an hour."""
    return work_lists([BUSY], FakeModel(), terms(**more), hour_values=hours)[0]


def test_the_list_at_several_values_of_an_hour() -> None:
    """At a dear hour there is less work."""
    points = by_hour(0.0, 15.0, 60.0).by_hour_value
    assert [point.hour_value for point in points] == [0.0, 15.0, 60.0]
    assert points[0].bench_hours > points[2].bench_hours


def test_the_usual_values_of_an_hour_are_shown_when_none_are_named() -> None:
    """0, 8, 15, 25 (common practice, no source) and the user's own."""
    assert [point.hour_value for point in by_hour(hour_value=11.0).by_hour_value] == [
        0.0,
        8.0,
        11.0,
        15.0,
        25.0,
    ]


def test_an_open_recall_leaves_no_price_but_the_scrap_yards() -> None:
    """T12, T16: no sale in any form, so no range of prices: 32 kg at .22 (published list, second hand)."""
    found = value_machines([machine("recall_open:serious")], FakeModel(), terms())[0]
    assert found.value.amount == found.value.low == found.value.high == pytest.approx(7.04, abs=1.5)
    assert found.sound_value == 190


def test_a_remedy_that_takes_weeks_says_so() -> None:
    """The maker's free remedy: two to eight weeks (common practice, no source), no bill, and the wait in the answer."""
    found = told("recall_open:serious")
    (step,) = [each for each in found.steps if each.parts_of_it[0].id == "recall_remedy"]
    low, high = fix_catalogue()["recall_remedy"].wait_days
    assert low <= step.waits_days <= high
    assert step.parts == 0


def test_an_open_cause_is_pointed_out() -> None:
    """A leak of unknown source: the answer says so, and says nothing of it once the cause stands beside it."""
    assert any(
        "cause of oil_leak_unknown is not known" in line for line in told("oil_leak_unknown:serious").warnings
    )
    named = told("no_start:serious", "weak_spark:serious")
    assert not any("cause of no_start" in line for line in named.warnings)


def test_a_running_machine_is_scrapped_only_with_the_reason_and_the_hour_at_which_that_turns() -> None:
    """Own hours eat a cheap sale: at an hour just below the one named it is sold, just above it goes to the yard."""
    cheap = machine(tier="budget", drive="push", age_years=10)
    found = told_at(cheap, 20.0)
    assert found.verdict == "scrap"
    turns = float(re.findall(r"an hour is worth under (\d+)\.", found.summary)[0])
    assert told_at(cheap, turns - 0.6).verdict == "sell as it stands"
    assert told_at(cheap, turns + 0.6).verdict == "scrap"
    working = next(way for way in found.ways_now if way.route == "working")
    assert f"would leave {working.left:.0f} against {found.left:.0f}" in found.summary


@pytest.mark.parametrize(("month", "told"), [(11, ["April"]), (5, [])])
def test_what_is_broken_for_parts_is_told_why_and_that_spring_pays_more(month: int, told: list[str]) -> None:
    """What is taken apart is gone: before that the answer says what eats the sale, and in autumn that it may wait."""
    worn = machine("hard_start:serious", tier="mid", drive="front_one_speed", age_years=6)
    found = work_lists([worn], FakeModel(sound=60.0), terms(hour_value=20.0, month=month))[0]
    assert found.verdict == "break for parts"
    assert "Checked and sold as working it would leave" in found.summary
    assert re.findall(r"ask again for (\w+)\.", found.summary) == told


def told_at(one: Machine, hour_value: float) -> WorkList:
    """The list of a machine worth 32, an hour counted at so much."""
    return work_lists([one], FakeModel(sound=32.0), terms(hour_value=hour_value))[0]


def test_where_a_recall_is_open_the_summary_says_what_the_verdict_says() -> None:
    """One says that nobody may sell it, so the other does not send it to the yard as if that were all."""
    recalled = machine("recall_open:serious", "no_start:serious", tier="budget", drive="push", age_years=15)
    found = work_lists([recalled], FakeModel(sound=20.0), terms())[0]
    assert found.verdict == "no sale while a recall is open"
    assert "may not be sold while a recall is open" in found.summary
    assert "free remedy" in found.summary


@pytest.mark.parametrize(
    ("count", "says"), [(0, "no own sales"), (1, "by 1 own sale."), (2, "by 2 own sales.")]
)
def test_what_an_answer_rests_on_is_counted_in_words(count: int, says: str) -> None:
    model = FakeModel()
    model.basis = model.basis.model_copy(update={"own_sales": count})
    (answer,) = value_machines([BUSY], model, terms())
    assert any(says in line for line in answer.warnings)
