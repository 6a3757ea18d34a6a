"""Fixes: shared work, odds that follow what is known, and chains that end."""

# ruff: noqa: N802 - a test that answers a fact of the trade carries its number

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.domain.bench import machine
from valuer.domain.catalogue import CatalogueError, by_id, read_catalogue
from valuer.domain.faults import Severity, fault_catalogue
from valuer.domain.fixes import (
    ROUTES,
    Fix,
    Odds,
    StripDown,
    bench_hours,
    between,
    check_fixes,
    fallback_chain,
    fix_catalogue,
    fixes_for,
    never_offered,
    next_try,
    odds,
    parts_cost,
    snag_chance,
    strip_down_catalogue,
    strip_down_needed,
    waiting_days,
)
from valuer.domain.machine import Finding
from valuer.domain.readings import Readings

FIXES = fix_catalogue()
NOTHING_READ = Readings()
fix_ids = st.sampled_from(sorted(FIXES))


def likely(fix: str, fault: str, severity: Any = "serious", **readings: Any) -> float:
    """Return the likely odds of a fix on a fault under some readings."""
    found = odds(FIXES[fix], Finding(fault, severity), machine(**readings).readings)
    assert found is not None
    return found.likely


@pytest.mark.parametrize(
    ("fix", "hours"),
    [
        ("needle_seat", 0.75),  # .45 own + carburettor .30
        ("rings_hone", 4.40),  # 2.1 + engine .55 + blade .15 + tip .10 + sump .50 + head .35 + shroud .20
        # + valve cover .15 + flywheel .30
        ("deck_donor", 3.65),  # 2.0 + blade .15 + tip .10 + engine .55 + cover .15 + gearbox .45 + wheels .25
        ("sump_gasket", 2.35),  # 1.05 + blade .15 + tip .10 + engine .55 + sump .50
        ("gearbox_used", 1.65),
        ("basic_service", 0.65),
        ("used_engine", 1.40),
    ],
)
def test_hours_of_one_fix_with_all_it_needs_first(fix: str, hours: float) -> None:
    """Middle of own hours plus each group once: common practice, no source; sums by hand."""
    assert bench_hours([FIXES[fix]]) == pytest.approx(hours, abs=0.005)


@given(st.lists(fix_ids, min_size=1, max_size=5, unique=True))
def test_T27_shared_work_never_makes_a_plan_longer(names: list[str]) -> None:
    plan = [FIXES[name] for name in names]
    assert bench_hours(plan) <= sum(bench_hours([fix]) for fix in plan) + 1e-9
    assert bench_hours(plan, "low") <= bench_hours(plan) <= bench_hours(plan, "high")


def test_T28_a_seal_while_the_sump_is_open_costs_its_own_hours_only() -> None:
    """Own hours of the lower seal .3 to .6: .45; parts 4 to 12: 8 (common practice, no source)."""
    sump, seal = FIXES["sump_gasket"], FIXES["crank_seal"]
    assert bench_hours([sump, seal]) - bench_hours([sump]) == pytest.approx(0.45)
    assert bench_hours([seal]) == pytest.approx(0.70)
    assert parts_cost([sump, seal]) - parts_cost([sump]) == pytest.approx(8.0)


def test_an_empty_plan_takes_nothing() -> None:
    assert (bench_hours([]), parts_cost([]), snag_chance([]), waiting_days([])) == (0, 0, 0, 0)


@given(st.lists(fix_ids, max_size=4, unique=True))
def test_strip_down_holds_everything_it_needs(names: list[str]) -> None:
    needed = strip_down_needed([FIXES[name] for name in names])
    for group in needed:
        assert set(strip_down_catalogue()[group].needs) <= needed


def test_snags_add_up_as_independent_chances() -> None:
    """1 - .94 x .96 = .0976 for a needle seat (6 %) and a carburettor strip (4 %)."""
    assert snag_chance([FIXES["needle_seat"], FIXES["carb_strip_clean"]]) == pytest.approx(0.0976)


def test_parts_ordered_together_are_waited_for_once() -> None:
    """A week at most for a cable, three for a used gearbox: 21 days, not 28."""
    assert waiting_days([FIXES["cable_new"], FIXES["gearbox_used"]], "high") == 21


@pytest.mark.parametrize(("severity", "chance"), [("slight", 0.60), ("serious", 0.0)])
def test_T38_a_patch_never_cures_a_structural_hole(severity: Severity, chance: float) -> None:
    assert likely("deck_patch", "deck_rust_hole", severity) == chance


@pytest.mark.parametrize(("severity", "chance"), [("slight", 0.60), ("serious", 0.0)])
def test_a_patch_closes_a_torn_seam_but_is_no_bag(severity: Severity, chance: float) -> None:
    """What is missing or broken at the frame cannot be patched: common practice, no source."""
    assert likely("bag_patch", "bag_missing", severity) == chance


def test_T39_straightening_a_crank_is_never_offered() -> None:
    crank = [action for action in never_offered() if "bent_crank" in action.faults]
    assert [action.id for action in crank] == ["straighten_crank"]
    assert [fix.id for fix in fixes_for("bent_crank")] == ["used_engine"]
    assert not any("straighten" in fix.name.lower() for fix in FIXES.values())


@pytest.mark.parametrize(("volts", "battery"), [(None, 0.55), (12.7, 0.05), (9.8, 0.85), (12.2, 0.55)])
def test_T44_the_meter_decides_about_the_battery(volts: float | None, battery: float) -> None:
    """Blind .55; under 11.8 V after charge .85; from 12.5 V on .05: common practice, no source."""
    readings = {} if volts is None else {"battery_rest_v": volts}
    assert likely("estart_battery", "estart_dead", **readings) == battery


@pytest.mark.parametrize(("severity", "chance"), [("slight", 0.45), ("serious", 0.12)])
def test_a_bowl_gasket_helps_where_the_bowl_weeps(severity: Severity, chance: float) -> None:
    """Wet at the bowl joint .45, fuel from throat or vent .12: common practice, no source."""
    assert likely("bowl_gasket", "fuel_leak_carb", severity) == chance


@pytest.mark.parametrize(("lash", "chance"), [(None, 0.15), (0.0, 0.60), (0.12, 0.15)])
def test_valve_clearance_cures_low_compression_when_it_was_nil(lash: float | None, chance: float) -> None:
    readings = {} if lash is None else {"exhaust_lash_mm": lash}
    assert likely("valve_adjust", "low_compression", **readings) == chance


@pytest.mark.parametrize("sign", [{"oil_level": "over_full"}, {"just_tipped": True}])
def test_T48_smoke_after_tipping_or_over_filling_is_level_first(sign: dict[str, object]) -> None:
    level, rings = (
        likely("oil_level_breather", "smoke_blue", **sign),
        likely("rings_hone", "smoke_blue", **sign),
    )
    assert level > likely("oil_level_breather", "smoke_blue")
    assert level > 5 * rings


def test_a_wet_test_that_rises_speaks_for_rings_and_against_valves() -> None:
    """A spoon of oil raises the reading: rings; not: valves (US Army technical manual, published)."""
    wet = {"compression_psi": 50, "wet_compression_psi": 70}
    dry = {"compression_psi": 50, "wet_compression_psi": 52}
    assert likely("rings_hone", "low_compression", **wet) > likely("rings_hone", "low_compression")
    assert likely("valve_lap", "low_compression", **dry) > likely("valve_lap", "low_compression", **wet)


def test_one_needle_seat_in_four_holds() -> None:
    """Common practice, no source."""
    assert likely("needle_seat", "fuel_leak_carb") == 0.25


def test_a_fix_for_another_fault_has_no_odds() -> None:
    assert odds(FIXES["bag_new"], Finding("no_start", "serious"), NOTHING_READ) is None


@pytest.mark.parametrize("fix", FIXES.values(), ids=str)
def test_T45_a_failed_fix_is_never_tried_again(fix: Fix) -> None:
    for fault in fix.cures:
        chain = fallback_chain(fix, fault)
        assert len(chain) == len(set(chain))
        assert chain[-1] in ROUTES
        assert all(next_try(FIXES[one], fault) == other for one, other in pairwise(chain))


def test_every_fault_can_be_cured_or_looked_into() -> None:
    without = [fault for fault in fault_catalogue() if not fixes_for(fault)]
    assert without == ["oil_leak_unknown"]  # found first, then cured under its own name
    assert FIXES["oil_leak_find"].looks_only


def test_a_fault_that_must_be_cured_does_not_end_in_a_sale_as_working() -> None:
    as_working = {"leave_and_disclose", "sell_without_bag", "sell_as_rope_start"}
    for fix in FIXES.values():
        for fault in fix.cures:
            if fault_catalogue()[fault].must_cure in ("any", "block"):
                assert fallback_chain(fix, fault)[-1] not in as_working, (fix.id, fault)


@pytest.mark.parametrize("fix", FIXES.values(), ids=str)
def test_odds_rise_and_lie_between_0_and_1(fix: Fix) -> None:
    for cure in fix.cures.values():
        for row in (cure.odds, cure.slight, cure.serious, *(case.odds for case in cure.when)):
            assert row is None or 0 <= row.low <= row.likely <= row.high <= 1


def test_odds_carry_the_weight_of_the_fix() -> None:
    found = odds(FIXES["estart_battery"], Finding("estart_dead", "serious"), Readings(battery_rest_v=9.8))
    assert found == Odds(low=0.75, likely=0.85, high=0.93, tries=7)


@pytest.mark.parametrize(("bound", "money"), [("low", 2), ("likely", 4), ("high", 6)])
def test_the_likely_figure_is_the_middle_of_its_span(bound: str, money: float) -> None:
    assert between((2.0, 6.0), bound) == money  # type: ignore[arg-type]


def test_fixes_of_blade_control_and_fuel_ask_for_the_tests_again() -> None:
    for name in ("cable_adjust", "cable_new", "brake_pad", "bail_restore", "bbc_new", "used_engine"):
        assert "blade_stop" in FIXES[name].retest
    for name in ("needle_seat", "carb_new_generic", "fuel_line", "fuel_tank_cap", "used_engine"):
        assert "fuel" in FIXES[name].retest


def _with(change: str, old: str) -> str:
    text = """
[needle_seat]
name = "Seat"
parts = [2, 6]
hours = [0.3, 0.6]
snag = 0.06
wait_days = [0, 0]
strip_down = ["carb_off"]
cautions = ["C1"]
mark = "common practice, no source"
cures.fuel_leak_carb = { odds = [0.1, 0.2, 0.3], tries = 4, next = "sell_for_repair" }
"""
    assert old in text
    return text.replace(old, change)


@pytest.mark.parametrize(
    ("old", "change", "line"),
    [
        ("parts = [2, 6]", "parts = [6, 2]", "x.toml: needle_seat.parts: expected low <= high, got 6 and 2"),
        (
            "[0.1, 0.2, 0.3]",
            "[0.4, 0.2, 0.3]",
            "needle_seat.cures.fuel_leak_carb.odds: expected low <= likely <= high",
        ),
        (
            '"carb_off"',
            '"carb_of"',
            "needle_seat.strip_down: expected a name from strip_down.toml, got carb_of",
        ),
        ('"C1"', '"C99"', "needle_seat.cautions: expected a name from cautions.toml, got C99"),
        (
            "fuel_leak_carb =",
            "fuel_leak =",
            "needle_seat.cures: expected a name from faults.toml, got fuel_leak",
        ),
        ('"sell_for_repair"', '"bag_new"', "fuel_leak_carb.next: expected a fix that cures fuel_leak_carb"),
        ('"sell_for_repair"', '"needle_seat"', "fuel_leak_carb.next: expected a chain that ends, got a loop"),
        ('mark = "common practice, no source"', "", "needle_seat.mark: mark is missing; it must be given"),
        ("snag = 0.06", "snag = 6", "needle_seat.snag: snag must be 1 or less, got 6"),
    ],
)
def test_a_wrong_table_names_file_and_key(old: str, change: str, line: str) -> None:
    with pytest.raises(CatalogueError) as caught:
        _load(_with(change, old))
    assert line in str(caught.value)


def _load(text: str) -> None:
    check_fixes(read_catalogue(text, "x.toml", by_id(Fix)), "x.toml")


def test_strip_down_work_needs_known_work() -> None:
    groups = strip_down_catalogue()
    assert all(set(group.needs) <= set(groups) for group in groups.values())
    assert isinstance(groups["tip_up"], StripDown)
