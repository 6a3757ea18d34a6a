"""Small decisions at the edge of a rule, which no other test happened to stand on."""

from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from tests.domain.bench import machine
from valuer.domain.faults import Severity
from valuer.domain.findings import findings
from valuer.domain.fixes import OddsRow, fix_catalogue, next_try
from valuer.domain.looked_for import looked_for
from valuer.domain.machine import Finding, Machine
from valuer.domain.notes import reading_notes
from valuer.domain.quantities import rpm_limit
from valuer.domain.readings import Readings
from valuer.domain.shop import ShopTerms, at_price_level, handling_cost, selling_hours
from valuer.domain.words import shown


@pytest.mark.parametrize(("hole", "severity"), [(9.9, "slight"), (10.0, "serious")])
def test_a_hole_of_ten_millimetres_is_structural_however_far_from_a_mount(
    hole: float, severity: Severity
) -> None:
    """10 mm and more: common practice, no source."""
    found = findings(machine(deck_hole_mm=hole, deck_hole_to_mount_mm=60))
    assert Finding("deck_rust_hole", severity) in found


def test_a_word_that_was_read_tells_of_each_fault_it_could_have_shown_and_no_other() -> None:
    """Smoke "none" was looked for; oil that nobody looked at may still be milky."""
    seen = looked_for(machine(smoke="none"))
    assert "smoke_blue" in seen
    assert {"oil_contaminated", "blade_damaged", "dies_hot"}.isdisjoint(seen)
    assert "oil_contaminated" in looked_for(machine(oil_look="black"))
    assert looked_for(machine()) == frozenset()


@pytest.mark.parametrize(
    ("known", "told"),
    [({"oil_level": "over_full"}, True), ({"just_tipped": True}, True), ({"oil_level": "full"}, False)],
)
def test_smoke_is_looked_at_again_after_tipping_or_too_much_oil_only(
    known: dict[str, Any],
    told: bool,  # noqa: FBT001
) -> None:
    notes = "\n".join(reading_notes(machine("smoke_blue:slight", **known)))
    assert ("after tipping or with too much oil" in notes) == told


@pytest.mark.parametrize(
    ("above", "words"), [(0, "is within the limit"), (10, "is too fast for a 20 in blade")]
)
def test_a_speed_just_at_the_limit_of_the_blade_is_within_it(above: int, words: str) -> None:
    """19,000 ft/min at the tip of 20 in: 12 x 19,000 / (pi x 20) = 3,629 rpm (limit second hand)."""
    assert rpm_limit(20.0) == pytest.approx(12 * 19_000 / (3.14159265 * 20), abs=0.5)
    notes = "\n".join(reading_notes(machine(engine_rpm=rpm_limit(20.0) + above, blade_length_in=20)))
    assert words in notes


def test_two_units_of_one_reading_are_compared_figure_by_figure_and_said_as_they_came() -> None:
    with pytest.raises(
        ValidationError, match=r"24\.5, 30 is 2\.49\d*, 3\.05\d* there, got 2\.5, 'heavy'; give one"
    ):
        Readings.model_validate({"roll_pull_n": [24.5, 30], "roll_pull_kgf": [2.5, "heavy"]})


@pytest.mark.parametrize("odds", [0.5, "likely", ["a", "b", "c", "d"], [0.1, 0.2]])
def test_odds_that_are_no_row_of_figures_are_refused_and_not_guessed(odds: object) -> None:
    with pytest.raises(ValidationError):
        TypeAdapter(OddsRow).validate_python(odds)


def test_what_follows_a_fix_stands_with_what_it_cures() -> None:
    """A fix may know a next step of its own; only a look's is one for every fault."""
    seat = fix_catalogue()["needle_seat"].model_copy(update={"next": "scrap_whole"})
    assert next_try(seat, "fuel_leak_carb") == seat.cures["fuel_leak_carb"].next != "scrap_whole"


def test_money_of_a_machine_is_told_to_the_market_in_its_own_dollars() -> None:
    known = Machine.model_validate({"id": "m1", "new_price": 500})
    assert at_price_level(known, 10.0).new_price == 50
    assert at_price_level(known, 1.0) is known
    bare = Machine.model_validate({"id": "m1"})
    assert at_price_level(bare, 10.0) == bare


def test_a_price_level_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValidationError, match="price_level must be a number"):
        ShopTerms.model_validate({"month": 5, "price_level": True})


def test_nobody_keeps_an_appointment_and_the_hours_still_end() -> None:
    """At 1 as at .99: 99 appointments in vain for each that is kept."""
    always, nearly = (selling_hours(ShopTerms(month=5, no_shows=share)) for share in (1.0, 0.99))
    assert always == pytest.approx(nearly, rel=0.02)


def test_the_first_look_costs_its_hours() -> None:
    """.5 h at 20, 3 of consumables, 2 of wear: 15."""
    terms = ShopTerms(month=5, hour_value=20, triage_hours=0.5, consumables=3, tool_wear=2)
    assert handling_cost(terms) == pytest.approx(15.0)


@pytest.mark.parametrize("value", [{"a": 1, "b": [2, "c"]}, [1, 2], (1,), (1, 2), {}, "it's"])
def test_what_is_shown_of_a_value_is_what_python_shows(value: object) -> None:
    assert shown(value) == repr(value)


def test_a_speed_too_high_for_the_blade_is_not_praised_for_not_being_too_low() -> None:
    """One line on it, the warning."""
    fast, slow = (reading_notes(machine(engine_rpm=rpm, blade_length_in=20)) for rpm in (3700, 2400))
    assert [line for line in fast if "governor" in line] == []
    assert any("governor" in line.lower() for line in slow)


@pytest.mark.parametrize("taken", [{"cold_pulls": 2}, {"smoke": "puff"}, {"blade_stop_s": 2.2}])
def test_one_reading_of_a_running_engine_shows_that_it_starts(taken: dict[str, Any]) -> None:
    assert "no_start" in looked_for(machine(**taken))
    assert "no_start" not in looked_for(machine(compression_psi=90))
