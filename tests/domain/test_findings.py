"""What readings show: sharp limits, grey zones, and what they may not decide."""

# ruff: noqa: N802 - a test that answers a fact of the trade carries its number

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.domain.bench import machine
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings, lash_off, roll_ratio
from valuer.domain.looked_for import looked_for
from valuer.domain.machine import Finding, Machine
from valuer.domain.notes import reading_notes
from valuer.domain.quantities import rpm_limit, tip_speed
from valuer.domain.readings import Readings
from valuer.domain.safety import gate_results
from valuer.domain.thresholds import chances, thresholds


def shown(one: Machine) -> list[str]:
    """Return the findings as fault:severity, a chance behind those in doubt."""
    return [str(f) if f.chance == 1 else f"{f} {f.chance:.2f}" for f in findings(one)]


@pytest.mark.parametrize(
    ("runs", "expected"),
    [
        ([2.5], []),
        ([2.9], ["blade_brake_slow:slight"]),
        ([3.0], ["blade_brake_slow:slight"]),
        ([3.01], ["blade_brake_slow:serious"]),
        ([3.1], ["blade_brake_slow:serious"]),
        ([2.1, 3.1, 2.2], ["blade_brake_slow:serious"]),
    ],
)
def test_T15_blade_stop_within_three_seconds_the_worst_run_counts(
    runs: list[float], expected: list[str]
) -> None:
    """16 CFR 1205.5(a)(1): within 3.0 s, so 3.0 passes; warning from 2.5 s: common practice, no source."""
    assert shown(machine(blade_stop_s=runs)) == expected


def test_T15_with_a_blade_clutch_the_clutch_is_slow() -> None:
    one = Machine.model_validate({"id": "m1", "blade_clutch": True, "readings": {"blade_stop_s": 3.4}})
    assert shown(one) == ["bbc_worn:serious"]


def test_the_limit_is_that_of_the_place_of_sale() -> None:
    assert findings(machine(blade_stop_s=4.0), blade_stop_limit_s=5.0) == (
        Finding("blade_brake_slow", "slight"),
    )
    assert findings(machine(blade_stop_s=2.4), blade_stop_limit_s=2.0) == (
        Finding("blade_brake_slow", "serious"),
    )


@pytest.mark.parametrize(
    ("release", "expected"),
    [("fitted", []), ("none", ["low_compression:serious"]), ("unknown", []), (None, [])],
)
def test_T47_sixty_psi_is_fine_with_a_release_and_worn_without(
    release: str | None, expected: list[str]
) -> None:
    """A release makes sound engines read low; below 60 psi without one is worn: from memory."""
    readings: dict[str, Any] = {
        "compression_psi": 60,
        **({"compression_release": release} if release else {}),
    }
    assert shown(machine(**readings)) == expected


@pytest.mark.parametrize("release", ["unknown", None])
def test_T47_an_unknown_release_is_asked_for(release: str | None) -> None:
    readings: dict[str, Any] = {
        "compression_psi": 60,
        **({"compression_release": release} if release else {}),
    }
    (note,) = reading_notes(machine(**readings))
    assert "cannot be judged until it is known whether a compression release is fitted" in note


@pytest.mark.parametrize(("width", "limit"), [(20, 3629), (21, 3456), (22, 3299), (30, 2419)])
def test_T59_tip_speed_limit_by_width(width: float, limit: float) -> None:
    """19,000 ft/min / (pi x width): second hand, as quoted for 22 in; the others derived."""
    assert rpm_limit(width) == pytest.approx(limit, abs=0.5)


@pytest.mark.parametrize(("width", "rpm", "feet_a_minute"), [(20, 3600, 18850), (21, 3600, 19792)])
def test_T59_tip_speed(width: float, rpm: float, feet_a_minute: float) -> None:
    """By pi d rpm / 12, second hand."""
    assert tip_speed(width, rpm) == pytest.approx(feet_a_minute, abs=1)


@pytest.mark.parametrize(
    ("width", "blade", "expected"),
    [
        (20, None, []),
        (21, None, ["governor_fault:serious"]),
        (21, 20, []),
        (30, None, []),  # usually two blades: not judged without the length of one
        (30, 30, ["governor_fault:serious"]),
        (None, None, []),
    ],
)
def test_T59_the_same_speed_may_pass_on_a_narrower_blade(
    width: float | None, blade: float | None, expected: list[str]
) -> None:
    readings = {"engine_rpm": 3500, **({"blade_length_in": blade} if blade else {})}
    one = Machine.model_validate({"id": "m1", "deck_width_in": width, "readings": readings})
    assert shown(one) == expected


@pytest.mark.parametrize(
    ("pull_kgf", "mass_kg", "expected"),
    [
        (1.8, None, []),  # rolls free: common practice, no source
        (2.8, None, ["stiff_roll:slight"]),  # too stiff: common practice, no source
        (2.0, 32, []),  # ratio .0625
        (2.32, 32, ["stiff_roll:slight 0.50"]),  # .0725, the middle of .065 to .08
        (3.6, 32, ["stiff_roll:serious"]),  # .1125
        (2.8, 45, []),  # the same pull on a heavier machine: .062
    ],
)
def test_rolling_pull_counts_against_weight(
    pull_kgf: float, mass_kg: float | None, expected: list[str]
) -> None:
    mass = {"machine_mass_kg": mass_kg} if mass_kg else {}
    assert shown(machine(roll_pull_kgf=pull_kgf, **mass)) == expected


def test_rolling_pull_is_the_mean_of_its_runs() -> None:
    """(2.0 + 2.2 + 2.4) / 3 / 30 = .0733."""
    assert roll_ratio(machine(roll_pull_kgf=[2.0, 2.2, 2.4], machine_mass_kg=30)) == pytest.approx(
        0.07333, abs=1e-5
    )


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ({"compression_psi": 90, "compression_release": "none"}, []),
        ({"compression_psi": 75, "compression_release": "none"}, ["low_compression:slight"]),
        ({"compression_psi": 65, "compression_release": "none"}, ["low_compression:serious 0.50"]),
        ({"compression_psi": 44, "compression_release": "fitted"}, ["low_compression:serious 0.60"]),
        ({"leak_down_percent": 20}, []),
        ({"leak_down_percent": 30}, ["low_compression:slight"]),
        ({"leak_down_percent": 41}, ["low_compression:serious"]),
        ({"crank_runout_mm": 0.05}, []),
        ({"crank_runout_mm": 0.075}, ["bent_crank:slight 0.50"]),
        ({"crank_runout_in": 0.010}, ["bent_crank:slight"]),
        ({"crank_runout_mm": 0.26}, ["bent_crank:serious"]),
        ({"tip_height_mm": 2.0}, []),
        ({"tip_height_mm": 3.5}, ["blade_damaged:serious"]),
        ({"tip_height_mm": 3.5, "high_tip": "shaft"}, ["bent_crank:serious 0.80"]),
        ({"spark_gap_mm": 6}, []),
        ({"spark_gap_mm": 3}, ["weak_spark:slight"]),
        ({"spark_gap_mm": 0}, ["weak_spark:serious"]),
        ({"cold_pulls": 2}, []),
        ({"cold_pulls": 3}, ["hard_start:slight"]),
        ({"cold_pulls": 5}, ["hard_start:serious"]),
        ({"drive_pull_kgf": 5}, ["drive_slip:slight"]),
        ({"drive_pull_kgf": 3.9}, ["drive_slip:serious"]),
        ({"battery_rest_v": 12.7}, []),
        ({"battery_rest_v": 9.8}, ["estart_dead:serious"]),
        ({"deck_metal_mm": 1.6}, []),
        ({"deck_metal_mm": 0.8}, ["deck_surface_rust:serious", "deck_rust_hole:serious"]),
        ({"deck_hole_mm": 8, "deck_hole_to_mount_mm": 60}, ["deck_rust_hole:slight"]),
        ({"deck_hole_mm": 8, "deck_hole_to_mount_mm": 20}, ["deck_rust_hole:serious"]),
        ({"deck_hole_mm": 8}, ["deck_rust_hole:serious 0.50"]),
        ({"fuel_paper_5min": "drop"}, ["fuel_leak_carb:serious"]),
        ({"fuel_paper_5min": "dry", "fuel_paper_soak": "damp"}, ["fuel_leak_carb:slight"]),
        ({"fuel_paper_soak": "damp", "fuel_wet_at": "line_or_tank"}, ["fuel_leak_line:serious"]),
        ({"oil_cardboard": "drop", "oil_wet_at": "sump"}, ["oil_leak_sump:serious"]),
        ({"oil_cardboard": "damp"}, ["oil_leak_unknown:slight"]),
        ({"oil_look": "milky"}, ["oil_contaminated:serious"]),
        ({"smoke": "puff"}, ["smoke_blue:slight"]),
        ({"leak_down_hiss": "joint"}, ["head_gasket_leak:serious"]),
    ],
)
def test_thresholds(readings: dict[str, Any], expected: list[str]) -> None:
    """Limits: common practice, no source, but for .010 in of runout (second hand)."""
    assert shown(machine(**readings)) == expected


@pytest.mark.parametrize(
    ("lash", "off"),
    [
        ({"intake_lash_mm": 0.12, "exhaust_lash_mm": 0.18}, 0.0),
        ({"intake_lash_mm": 0.04}, 0.06),  # band from .10 on
        ({"exhaust_lash_mm": 0.24}, 0.04),  # band up to .20
        ({"intake_lash_mm": 0.12, "intake_lash_wanted_mm": 0.20}, 0.08),
    ],
)
def test_valve_clearance_is_judged_by_its_band_or_the_engines_own_figure(
    lash: dict[str, float], off: float
) -> None:
    assert lash_off(machine(**lash).readings) == pytest.approx(off)


def test_no_clearance_at_all_is_serious() -> None:
    assert shown(machine(intake_lash_mm=0.0)) == ["valve_lash_out:serious"]


def test_what_is_declared_stands_against_a_milder_reading() -> None:
    assert shown(machine("blade_brake_slow:serious", blade_stop_s=2.0)) == ["blade_brake_slow:serious"]


def test_a_clear_reading_makes_a_declared_fault_worse_and_a_doubtful_one_does_not() -> None:
    assert shown(machine("bent_crank:slight", crank_runout_mm=0.5)) == ["bent_crank:serious"]
    doubtful = machine("low_compression:slight", compression_psi=65, compression_release="none")
    assert shown(doubtful) == ["low_compression:slight"]


def test_a_failed_check_is_a_fault() -> None:
    assert shown(machine(checks={"shields": "failed"})) == ["guard_missing:serious"]


def test_a_reading_of_equipment_that_is_not_there_shows_nothing() -> None:
    assert shown(machine(drive="push", drive_pull_kgf=2.0)) == []


def test_an_aluminium_deck_does_not_rust() -> None:
    one = Machine.model_validate(
        {"id": "m1", "deck_material": "aluminium", "readings": {"deck_metal_mm": 0.8}}
    )
    assert shown(one) == []


@given(st.sampled_from(sorted(thresholds().scales)), st.floats(0, 1), st.floats(0, 1))
def test_a_worse_reading_never_lowers_the_odds(name: str, one: float, other: float) -> None:
    """Law: along the direction in which the machine is worse, both chances never fall."""
    scale = thresholds().scales[name]
    ends = sorted((scale.none_to, scale.serious_from))
    low, high = ends[0] - 1, ends[1] + 1
    first, second = sorted(
        (low + (high - low) * one, low + (high - low) * other), reverse=scale.worse == "lower"
    )
    better, worse = chances(scale, first), chances(scale, second)
    assert worse[0] >= better[0]
    assert worse[1] >= better[1]


@given(st.sampled_from(sorted(thresholds().scales)), st.floats(-50, 5000))
def test_serious_is_never_likelier_than_present(name: str, reading: float) -> None:
    present, serious = chances(thresholds().scales[name], reading)
    assert 0 <= serious <= present <= 1


def test_findings_come_once_each_and_in_catalogue_order() -> None:
    one = machine(
        "dirty:slight",
        "no_start:slight",
        leak_down_percent=50,
        compression_psi=80,
        compression_release="none",
    )
    faults = [finding.fault for finding in findings(one)]
    assert faults == sorted(set(faults), key=list(fault_catalogue()).index)


@pytest.mark.parametrize(
    ("readings", "line"),
    [
        ({"blade_stop_s": [2.9, 2.8, 2.7]}, "2.9 s to stop the blade: passes, close to the limit of 3 s."),
        ({"blade_stop_s": [3.2]}, "too slow, the limit is 3 s: not to be sold as working. Time 2 more"),
        (
            {"compression_psi": 50, "wet_compression_psi": 70},
            "20 psi more with oil in the bore: points to the rings.",
        ),
        ({"plug_gap_mm": 0.5}, "0.5 mm plug gap: set it to 0.7 to 0.8 mm."),
        ({"engine_rpm": 3000}, "cannot be judged without the length of one blade"),
        ({"cold_pulls": 2.5}, "in doubt, 50% for hard to start cold"),
        ({"smoke": "steady", "just_tipped": True}, "set the level, run it 15 min and see whether"),
    ],
)
def test_notes_say_what_a_reading_means(readings: dict[str, Any], line: str) -> None:
    assert line in "\n".join(reading_notes(machine(**readings)))


def test_what_was_worked_out_of_a_machine_is_its_own() -> None:
    """It is kept with the machine; a changed copy starts anew, and nothing of it is seen from outside."""
    nick, straight = {"readings": {"blade_nick_mm": 6.0}}, {"checks": {"bail": "passed"}}
    one = Machine.model_validate({"id": "m1", **nick})
    same, written = Machine.model_validate({"id": "m1", **nick}), one.model_dump_json()
    found = findings(one)
    assert findings(one) is found, "worked out once"
    assert {item.fault for item in found} & {"blade_dull", "blade_damaged"}
    assert (one, repr(one), one.model_dump_json()) == (same, repr(same), written)
    mended = one.model_copy(update={"readings": Readings()})
    assert findings(mended) == ()
    assert looked_for(one) != looked_for(mended)
    checked = one.model_copy(update=straight)
    assert findings(checked) == findings(Machine.model_validate({"id": "m1", **nick, **straight}))
    assert {gate.state for gate in gate_results(checked) if gate.gate == "bail"} == {"passed"}
    assert {gate.state for gate in gate_results(one) if gate.gate == "bail"} == {"not_tested"}
