"""How far a machine counts as tested: what was looked for and is not there, and of the rest what is usually shown."""

from itertools import pairwise
from typing import Any

from valuer.domain.looked_for import USUALLY_SHOWN
from valuer.domain.looked_for import tested_share as share_tested
from valuer.domain.machine import Machine
from valuer.market.assumptions import assumptions

GOOD = {"cold_pulls": 1, "smoke": "none", "blade_stop_s": [2.0, 2.1, 2.2], "roll_pull_kgf": 1.8}


def machine(**more: Any) -> Machine:
    return Machine.model_validate({"id": "m", "drive": "push", **more})


def test_who_says_nothing_has_shown_what_is_usually_shown() -> None:
    """By hand: .35 of sellers show nearly all, a beta of 8 and 2, the others a beta of 1.5 and 6."""
    well = assumptions()("stock", "tested_well_share")
    assert round(well * 8 / 10 + (1 - well) * 1.5 / 7.5, 2) == USUALLY_SHOWN
    assert share_tested(machine()) == USUALLY_SHOWN


def test_each_good_reading_shows_more() -> None:
    told = [machine(readings=dict(list(GOOD.items())[:n])) for n in range(len(GOOD) + 1)]
    shares = [share_tested(each) for each in told]
    assert all(after > before for before, after in pairwise(shares))
    assert shares[-1] < 1


def test_a_fault_that_is_found_shows_nothing_sound() -> None:
    """Else to find one would be worth more than not to look."""
    assert share_tested(machine(readings={"smoke": "steady"})) < share_tested(
        machine(readings={"smoke": "none"})
    )
    readings = {"readings": GOOD}
    assert share_tested(machine(faults=["dirty:slight"], **readings)) == share_tested(machine(**readings))
    assert share_tested(machine(faults=["dirty:slight"])) == USUALLY_SHOWN


def test_who_looked_everything_over_has_shown_all_of_it_whatever_was_found() -> None:
    assert share_tested(machine(looked_over=True)) == 1.0
    assert share_tested(machine(looked_over=True, faults=["dirty:slight"])) == 1.0
