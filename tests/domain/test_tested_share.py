"""How far a machine was shown tested: what was looked at counts, whatever came of it, and little counts as nothing."""

from typing import Any

from valuer.domain.looked_for import tested_share as share_tested
from valuer.domain.machine import Machine


def machine(**more: Any) -> Machine:
    return Machine.model_validate({"id": "m", "drive": "push", **more})


def test_one_good_reading_says_no_more_than_saying_nothing() -> None:
    """A seller who shows one thing has not shown less than one who shows none."""
    assert share_tested(machine()) is None
    assert share_tested(machine(readings={"cold_pulls": 2})) is None


def test_who_looked_everything_over_has_shown_all_of_it_whatever_was_found() -> None:
    assert share_tested(machine(looked_over=True)) == 1.0
    assert share_tested(machine(looked_over=True, faults=["dirty:slight"])) == 1.0
