"""The answers keep their names, their cents and their word."""

import json

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.work.bench import rank_bench
from valuer.advice.work.fix_plan import full_advice, plan_fixes
from valuer.advice.worth.documents import FixAdvice, FixPlan
from valuer.advice.worth.valuation import value_machines

BUSY = machine("fuel_leak_carb:serious", "starter_noise:slight", "stiff_roll:serious", "paint_faded:slight")


def plan(**asked: float) -> FixPlan:
    """The fix plan of a machine with four faults."""
    return plan_fixes([BUSY], FakeModel(), terms(**asked))[0]


def test_names_others_rely_on() -> None:
    """The names agreed for valuations, fix plans and bench rankings."""
    value = json.loads(value_machines([BUSY], FakeModel(), terms())[0].model_dump_json())
    assert {"id", "value", "fault_costs", "safety", "cautions", "warnings", "basis"} <= set(value)
    assert set(value["value"]) == {"amount", "low", "high", "coverage", "currency"}
    assert {"fault", "severity", "cured_alone", "lost_alone", "share", "records"} <= set(
        value["fault_costs"][0]
    )
    assert {"may_be_sold", "must_cure", "unchecked"} <= set(value["safety"])
    assert set(value["basis"]) == {"model", "data_sha256", "synthetic", "own_sales"}
    fixes = json.loads(plan().model_dump_json())
    row = {"fix", "fault", "gain", "parts", "bench_hours", "odds", "expected_return", "verdict", "reason"}
    assert row <= set(fixes["fixes"][0])
    assert {"fixes", "expected_return", "bench_hours", "cash"} <= set(fixes["best"])
    bench = json.loads(rank_bench([BUSY], FakeModel(), terms()).model_dump_json())["machines"][0]
    row = {"id", "value_now", "value_after", "expected_return", "bench_hours", "return_per_hour"}
    assert row | {"chance_of_loss", "plan"} <= set(bench)


def test_expected_return_of_a_fix_is_gain_by_odds_less_parts_less_hours() -> None:
    """For every possible fix, done alone, to the cent."""
    for row in plan(hour_value=13.0).fixes:
        by_hand = row.gain * row.odds - row.parts - row.bench_hours * 13.0
        assert row.expected_return == pytest.approx(by_hand, abs=0.02)


def test_a_plan_of_one_fix_brings_what_the_fix_alone_brings() -> None:
    """Selling costs are the same for every plan and distort no comparison."""
    found = plan_fixes([machine("oil_leak_minor:serious")], FakeModel(400.0), terms(cash=9.0))[0]
    assert found.best.fixes == ("cover_drain_seals",)
    assert found.best.expected_return == found.fixes[0].expected_return


def verdicts(found: FixPlan) -> dict[tuple[str, str], FixAdvice]:
    """The rows by fix and fault."""
    return {(row.fix, row.fault): row for row in found.fixes}


def test_verdicts_and_their_reasons() -> None:
    """Must be done for the gate, worth doing for what pays, not worth doing with the reason for the rest."""
    rows = verdicts(plan())
    assert rows["carb_new_generic", "fuel_leak_carb"].verdict == "must be done"
    assert "must be cured before" in rows["carb_new_generic", "fuel_leak_carb"].reason
    assert rows["needle_seat", "fuel_leak_carb"].verdict == "not worth doing"
    assert "another way leaves more" in rows["needle_seat", "fuel_leak_carb"].reason
    assert "next try" in rows["carb_new_maker", "fuel_leak_carb"].reason
    assert rows["wheel_clean_lube", "stiff_roll"].verdict == "worth doing"
    assert rows["deck_paint", "paint_faded"].verdict == "not worth doing"
    assert "costs" in rows["deck_paint", "paint_faded"].reason


def test_a_gate_that_does_not_pay_must_still_be_done_before_a_sale_as_working() -> None:
    """On a cheap machine at a dear hour: the way is named, and that it does not pay here."""
    found = plan_fixes([machine("deck_rust_hole:serious")], FakeModel(60.0), terms(hour_value=25.0))[0]
    assert found.best.fixes == ()
    row = verdicts(found)["deck_donor", "deck_rust_hole"]
    assert row.verdict == "must be done"
    assert "for repair or for parts instead" in row.reason


def test_every_reason_is_one_sentence() -> None:
    """Plain, and without a line break."""
    for row in plan().fixes:
        assert row.reason.endswith(".")
        assert "\n" not in row.reason
        assert row.reason.rstrip(".").count(". ") == 0


def test_cautions_stand_beside_what_is_advised() -> None:
    """Petrol for carburettor work, the plug lead for anything by hand, and the sale gate."""
    titles = [line.split(":")[0] for line in plan().cautions]
    assert {"Plug lead off", "Petrol", "Not to be sold as working"} <= set(titles)


def test_the_safety_verdict_names_its_sources_and_defers() -> None:
    """16 CFR 1205.5 and 15 USC 2068, local law, licensed repairers."""
    sources = " ".join(plan().safety.sources)
    for word in ("16 CFR 1205.5", "15 USC 2068", "local law", "licensed"):
        assert word in sources


def test_warnings_say_synthetic_once_and_few_records() -> None:
    """Ten sales show a bent crank in the fake model: its cost is a guess."""
    found = value_machines([machine("bent_crank:serious", age_years=20.0)], FakeModel(), terms(month=12))[0]
    text = " ".join(found.warnings)
    assert text.count("synthetic") == 1
    assert "Only 10 training sales show serious bent_crank" in text
    assert "20 years old" in text
    assert "Month 12 is out of season" in text
    assert "Not known" in text


def test_southern_seasons_are_turned_round() -> None:
    """December is high season in the south."""
    found = value_machines([machine()], FakeModel(), terms(month=12, hemisphere="south"))[0]
    assert not any("out of season" in line for line in found.warnings)


def test_full_advice_is_the_same_as_both_answers_apart() -> None:
    """One call of the model for both."""
    model = FakeModel()
    both = full_advice([BUSY], model, terms())[0]
    assert model.calls == 2
    assert both == (value_machines([BUSY], FakeModel(), terms())[0], plan())


def test_the_plan_at_several_values_of_an_hour() -> None:
    """Where it changes the plans on both sides differ, and at a dear hour there is less work."""
    found = plan_fixes([BUSY], FakeModel(), terms(), hour_values=(0.0, 15.0, 60.0))[0]
    points = found.by_hour_value
    assert [point.hour_value for point in points] == [0.0, 15.0, 60.0]
    assert points[0].bench_hours > points[2].bench_hours
    assert 0 < len(found.switch_points) <= 2
    for switch in found.switch_points:
        below, above = (plan(hour_value=switch + step).best for step in (-0.1, 0.1))
        assert (below.fixes, below.steps) != (above.fixes, above.steps)


def test_the_usual_values_of_an_hour_are_shown_when_none_are_named() -> None:
    """0, 8, 15, 25 (common practice, no source) and the user's own."""
    found = plan_fixes([BUSY], FakeModel(), terms(hour_value=11.0), hour_values=())[0]
    assert [point.hour_value for point in found.by_hour_value] == [0.0, 8.0, 11.0, 15.0, 25.0]


def test_what_is_left_is_told_to_the_buyer() -> None:
    """Faults that nothing is done about."""
    assert plan().best.left_and_disclosed == ("starter_noise", "paint_faded")


def test_steps_count_strip_down_once_and_name_the_next_try() -> None:
    """Blade and adapter off once: .375 h for the first of the two, .225 h for the second."""
    two = machine("blade_damaged:serious", "blade_mount_loose:serious")
    steps = plan_fixes([two], FakeModel(400.0), terms())[0].best.steps
    assert [step.fix for step in steps] == ["blade_new", "blade_mount"]
    assert [step.bench_hours for step in steps] == [0.375, 0.225]
    leak = plan_fixes([machine("fuel_leak_carb:serious")], FakeModel(), terms())[0].best.steps[0]
    assert leak.if_it_fails == ("carb_new_maker",)


def test_an_open_recall_leaves_no_price_but_the_scrap_yards() -> None:
    """T12, T16: no sale in any form, so no range of prices: 32 kg at .22 (published list, second hand)."""
    found = value_machines([machine("recall_open:serious")], FakeModel(), terms())[0]
    assert found.value.amount == found.value.low == found.value.high == pytest.approx(7.04, abs=1.5)
    assert found.sound_value == 190


def test_what_is_tried_only_if_something_fails_is_no_fix_of_the_plan() -> None:
    """A plan's fixes are what is done for sure; the rest stands beside the step it waits for."""
    found = plan_fixes([machine("fuel_leak_carb:serious", "surging:serious")], FakeModel(400.0), terms())[
        0
    ].best
    later = {name for step in found.steps for name in step.if_it_fails}
    assert later
    assert found.fixes == tuple(step.fix for step in found.steps)
    assert not later & set(found.fixes)


def test_an_open_cause_is_pointed_out() -> None:
    """A leak of unknown source has no fix of its own: the answer sends to the next checks."""
    found = plan_fixes([machine("oil_leak_unknown:serious")], FakeModel(), terms())[0]
    assert any("cause of oil_leak_unknown is not known" in line for line in found.warnings)
    named = plan_fixes([machine("no_start:serious", "weak_spark:serious")], FakeModel(), terms())[0]
    assert not any("cause of no_start" in line for line in named.warnings)
