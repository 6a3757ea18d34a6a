"""What to look at next, and whether to go on at all."""

from collections.abc import Sequence
from typing import Any

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.ports import FloatArray
from valuer.advice.work.decision_documents import NextCheck, NextChecks
from valuer.advice.work.next_checks import next_checks
from valuer.domain.machine import Machine

ALL_CHECKED: dict[str, Any] = {
    "checks": dict.fromkeys(
        (
            "recall",
            "bail",
            "shields",
            "blade_and_mount",
            "crank",
            "drive_releases",
            "deck",
            "handle",
            "muffler",
        ),
        "passed",
    ),
    "readings": {
        "blade_stop_s": [2.0, 2.1, 2.2],
        "fuel_paper_5min": "dry",
        "fuel_paper_soak": "dry",
        "engine_rpm": 3000.0,
    },
    "deck_width_in": 21.0,
}
KNOWN: dict[str, Any] = {
    "age_years": 6.0,
    "tier": "mid",
    "engine_class": "mid_ohv",
    "deck_material": "steel",
    "start": "rope",
    "looks": "used",
}


def answer(at: Machine, sound: float = 190.0, **asked: float) -> NextChecks:
    """The next checks on one machine."""
    return next_checks([at], FakeModel(sound), terms(**asked))[0]


def named(found: NextChecks, check: str) -> NextCheck:
    """One of the checks."""
    return next(row for row in found.checks if row.check == check)


def test_checks_are_ranked_by_value_per_minute() -> None:
    """The minute is what is short."""
    rates = [row.value_per_minute for row in answer(machine("oil_leak_unknown:serious")).checks]
    assert rates == sorted(rates, reverse=True)


def test_a_safety_check_not_done_is_worth_the_fall_to_the_price_for_repair() -> None:
    """Only the bail is unchecked: unproven it goes for repair, checked it is a working machine.

    Unproven it goes for 66.50 less selling, or in parts; with 5 in 100 bails tied and 8 in 10 cured the check
    is worth most of the fall, and a minute does it.
    """
    checks = {name: result for name, result in ALL_CHECKED["checks"].items() if name != "bail"}
    found = answer(machine(**KNOWN, **{**ALL_CHECKED, "checks": checks}))
    assert found.safety.unchecked == ("bail",)
    row = named(found, "bail")
    assert row.verdict == "must be done"
    assert 90 < row.value_of_looking < 190 - 66.50 + 27
    assert row.value_of_looking == row.perfect_information
    assert found.checks[0].check == "bail"


def test_a_machine_with_nothing_open_has_nothing_to_check() -> None:
    """All passed, all known, no faults: sell it."""
    found = answer(machine(**KNOWN, **ALL_CHECKED))
    assert found.checks == ()
    assert found.verdict == "sell as it stands"
    assert found.safety.may_be_sold


def test_blade_stop_not_measured_is_among_the_checks() -> None:
    """Unmeasured is not passed."""
    row = named(answer(machine()), "blade_stop")
    assert row.kind == "safety"
    assert row.shows == ("passed", "failed")


class Aged(FakeModel):
    """A model in which age matters: the sound price falls by 8 % a year (invented)."""

    def encode(self, machines: Sequence[Machine], month: int) -> FloatArray:
        """The fake's rows, with the sound price lowered by age."""
        rows = super().encode(machines, month)
        rows[:, 0] *= [0.92 ** (6.0 if m.age_years is None else m.age_years) for m in machines]
        return rows


def test_finding_out_the_age_is_worth_something_where_age_matters() -> None:
    """Two or twelve years make a different plan, and a different ask."""
    found = next_checks([machine("oil_leak_sump:serious")], Aged(300.0), terms())[0]
    assert named(found, "age_years").value_of_looking > 0
    assert named(found, "age_years").shows == ("2.0", "5.0", "8.0", "12.0")
    assert named(found, "looks").value_of_looking == 0  # this model does not look at looks


def test_a_doubtful_reading_is_worth_taking_again_where_it_changes_the_work() -> None:
    """A rolling pull of 2.3 kgf on 32 kg is between passing and stiff."""
    found = answer(machine(readings={"roll_pull_kgf": [2.3]}), sound=400.0)
    row = named(found, "stiff_roll")
    assert row.kind == "reading"
    assert row.value_of_looking >= 0


def test_what_a_symptom_may_be_sums_to_one() -> None:
    """After Bayes' rule on what the readings say."""
    found = answer(machine("oil_leak_unknown:serious", readings={"oil_level": "over_full"}))
    causes = found.symptoms[0].causes
    assert sum(cause.chance for cause in causes) == pytest.approx(1, abs=0.001)
    assert causes[0].cause == "overfilled"
    assert "stick" not in {row.check for row in found.checks}


def test_a_symptom_whose_cause_stands_beside_it_is_closed() -> None:
    """No spark is why it does not start: there is no cause to look for."""
    assert answer(machine("no_start:serious", "weak_spark:serious")).symptoms == ()


def test_a_look_already_taken_moves_the_beliefs() -> None:
    """The leak was found at the sump: the sump gasket becomes the likeliest cause by far."""
    seen = {"m": {"oil_leak_find": "sump"}}
    found = next_checks([machine("oil_leak_unknown:serious")], FakeModel(), terms(), seen=seen)[0]
    assert found.symptoms[0].causes[0].cause == "sump_joint"
    assert found.symptoms[0].causes[0].chance > 0.85


def test_an_outcome_nobody_knows_is_refused() -> None:
    """With what would have been known."""
    with pytest.raises(ValueError, match="outcome of oil_leak_find"):
        next_checks(
            [machine("oil_leak_unknown:serious")],
            FakeModel(),
            terms(),
            seen={"m": {"oil_leak_find": "sumpp"}},
        )


@pytest.mark.parametrize(
    ("faults", "sound", "hour", "verdict"),
    [
        (("fuel_leak_line:serious",), 190.0, 15.0, "go on"),
        (("paint_faded:slight",), 190.0, 15.0, "sell as it stands"),
        (("deck_rust_hole:serious",), 190.0, 15.0, "break for parts"),
        (("bent_crank:serious", "deck_rust_hole:serious", "drive_none:serious"), 40.0, 15.0, "scrap"),
    ],
)
def test_verdicts(faults: tuple[str, ...], sound: float, hour: float, verdict: str) -> None:
    """Go on, sell as it stands, break for parts, scrap."""
    found = answer(machine(*faults, **KNOWN, **ALL_CHECKED), sound=sound, hour_value=hour)
    assert found.verdict == verdict


def test_a_dear_hour_makes_looking_not_worth_it() -> None:
    """At 1,000 an hour nobody looks for a leak."""
    found = answer(machine("oil_leak_unknown:serious", **KNOWN), hour_value=1_000.0)
    assert all(row.verdict == "not worth doing" for row in found.checks if row.kind == "cause")


def test_all_imagined_machines_go_to_the_model_in_one_call() -> None:
    """One call for values, one for the ranges (the fake's interval asks for values once more)."""
    model = FakeModel()
    next_checks([machine("no_start:serious"), machine("vibration:serious", id="n")], model, terms())
    assert model.calls == 3
