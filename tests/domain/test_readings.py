"""Readings: units, runs, and what is refused."""

# ruff: noqa: N802 - a test that answers a fact of the trade carries its number

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.domain.bench import machine
from valuer.domain.findings import findings
from valuer.domain.readings import OTHER_UNITS, Readings


def read(**readings: Any) -> Readings:
    return Readings.model_validate(readings)


def refusal(**readings: Any) -> str:
    with pytest.raises(ValidationError) as caught:
        read(**readings)
    return "\n".join(line["msg"] for line in caught.value.errors(include_url=False))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"roll_pull_kgf": 2.5}, {"roll_pull_n": 24.516625}),  # 1 kgf = 9.80665 N by definition (SI brochure)
        ({"roll_pull_kgf": 2.5}, {"roll_pull_lbf": 5.511557}),  # 1 lb = 0.45359237 kg by definition
        ({"drive_pull_kgf": 5.0}, {"drive_pull_n": 49.03325}),
        ({"compression_psi": 90.0}, {"compression_bar": 6.205282}),  # 1 psi = 6.894757 kPa
        ({"compression_psi": 90.0}, {"compression_kpa": 620.5282}),
        ({"crank_runout_mm": 0.254}, {"crank_runout_in": 0.010}),  # 1 in = 25.4 mm by definition
        ({"machine_mass_kg": 32.0}, {"machine_mass_lb": 70.54792}),
        ({"blade_length_in": 20.0}, {"blade_length_mm": 508.0}),
    ],
)
def test_T17_the_unit_makes_no_difference(one: dict[str, float], other: dict[str, float]) -> None:
    name = next(iter(one))
    first, second = getattr(read(**one), name), getattr(read(**other), name)
    assert second == pytest.approx(first, rel=1e-6)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"roll_pull_kgf": 2.5}, {"roll_pull_n": 24.5}),
        ({"roll_pull_kgf": 2.5}, {"roll_pull_lbf": 5.5}),
        (
            {"compression_psi": 90, "compression_release": "none"},
            {"compression_bar": 6.2, "compression_release": "none"},
        ),
        (
            {"compression_psi": 90, "compression_release": "none"},
            {"compression_kpa": 620, "compression_release": "none"},
        ),
        ({"crank_runout_in": 0.010}, {"crank_runout_mm": 0.254}),
    ],
)
def test_T17_rounded_figures_in_either_unit_show_the_same(one: dict[str, Any], other: dict[str, Any]) -> None:
    """2.5 kgf = 24.5 N = 5.5 lbf; 90 psi = 6.2 bar = 620 kPa; 0.010 in = 0.254 mm: rounded as read."""
    here, there = findings(machine(**one)), findings(machine(**other))
    assert [(f.fault, f.severity) for f in here] == [(f.fault, f.severity) for f in there]
    assert [f.chance for f in here] == pytest.approx([f.chance for f in there], abs=0.02)


@given(st.sampled_from(sorted(OTHER_UNITS)), st.floats(0.01, 1.0))
def test_T17_every_other_unit_converts_there_and_back(name: str, share: float) -> None:
    unit = OTHER_UNITS[name]
    top = {"blade_length_mm": 838.0, "machine_mass_lb": 330.0}.get(name, 0.05)
    value = top * max(share, 0.3) if top > 1 else top * share
    first = getattr(read(**{name: value}), unit.reading)
    first = first[0] if isinstance(first, tuple) else first
    assert first / unit.factor == pytest.approx(value)
    assert getattr(read(**{name: value}), name) is None


def test_the_same_reading_in_two_units_must_agree() -> None:
    assert read(compression_psi=90, compression_bar=6.2).compression_psi == 90
    line = refusal(compression_psi=90, compression_bar=4.0)
    assert "compression_bar and compression_psi are the same reading and must agree" in line
    assert "give one of the two" in line


def test_a_single_figure_stands_for_one_run() -> None:
    assert read(blade_stop_s=2.9).blade_stop_s == (2.9,)
    assert read(roll_pull_n=[24.5, 25.0]).roll_pull_kgf == pytest.approx((2.4983, 2.5493), abs=1e-4)


@pytest.mark.parametrize(
    ("readings", "line"),
    [
        ({"blade_stop_s": "2.9"}, "must be a number or a list of numbers, got '2.9'"),
        ({"blade_stop_s": []}, "must be a number or a list of numbers, got []"),
        ({"blade_stop_s": True}, "must be a number or a list of numbers, got True"),
        ({"blade_stop_s": [2.0, -1.0]}, "blade_stop_s must be 0 or more, got -1.0"),
        ({"blade_stop_s": [2.0] * 21}, "a list of at most 20 runs, got 21"),
        ({"roll_pull_n": 9_999}, "roll_pull_n must be 590 or less, got 9999"),
        ({"compression_bar": 700}, "compression_bar must be 20.7 or less, got 700"),
        ({"compression_bar": "6"}, "compression_bar must be a number, got '6'"),
        (
            {"compression_release": "maybe"},
            "compression_release must be one of fitted, none, unknown; got 'maybe'",
        ),
        ({"fuel_paper_5min": "dy"}, "did you mean 'dry'?"),
        ({"spark_gap_mm": float("nan")}, "finite number"),
    ],
)
def test_a_reading_that_cannot_be_is_refused_under_the_name_it_was_given(
    readings: dict[str, Any], line: str
) -> None:
    assert line in refusal(**readings)


def test_every_reading_says_what_it_is() -> None:
    assert all(field.description for field in Readings.model_fields.values())


def test_the_schema_lets_a_reading_with_runs_be_one_number_or_a_list() -> None:
    kinds = [kind["type"] for kind in Readings.model_json_schema()["properties"]["blade_stop_s"]["anyOf"]]
    assert kinds == ["number", "array", "null"]


def test_an_empty_list_is_refused_in_whatever_unit_the_rest_came() -> None:
    assert "must be a number or a list of numbers, got []" in refusal(roll_pull_kgf=[], roll_pull_n=20.0)
