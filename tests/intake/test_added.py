"""More said of a machine that is known already."""

import pytest

from valuer.domain.machine import Machine
from valuer.intake.added import PARTS_OF_IT, with_said
from valuer.intake.words import read_words

KNOWN = Machine.model_validate(
    {
        "id": "m1",
        "called": "the red one",
        "drive": "push",
        "age_years": 4,
        "faults": ["blade_dull:slight", "wheel_wobble:slight"],
        "readings": {"cold_pulls": 2},
        "checks": {"recall": "passed"},
    }
)


def added(text: str) -> Machine:
    """The machine after more was said of it."""
    return with_said(KNOWN, read_words(text, 2026, "it"))


def test_what_is_said_wins_and_what_is_not_said_stays() -> None:
    now = added("rear drive, surface rust slight, blade stops in 2.1 s")
    assert (now.id, now.called, now.drive, now.age_years) == ("m1", "the red one", "rear_variable", 4)
    assert {item.fault for item in now.faults} == {"blade_dull", "wheel_wobble", "deck_surface_rust"}
    assert (now.readings.cold_pulls, now.readings.blade_stop_s) == (2, (2.1,))
    assert now.checks == {"recall": "passed"}


def test_a_fault_said_again_is_there_once_as_said_last() -> None:
    now = added("wheels wobble badly")
    assert [str(item) for item in now.faults if item.fault == "wheel_wobble"] == ["wheel_wobble:serious"]


def test_a_fault_said_not_to_be_there_is_gone() -> None:
    assert [item.fault for item in added("blade is sharp").faults] == ["wheel_wobble"]


def test_saying_the_same_again_changes_nothing() -> None:
    assert added("push, 4 years") == KNOWN


@pytest.mark.parametrize("name", PARTS_OF_IT)
def test_each_name_of_a_field_of_names_is_said_by_itself(name: str) -> None:
    assert name in Machine.model_fields
