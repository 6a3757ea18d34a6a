"""A machine after work on it: what was cured is off, what was touched is unmeasured."""

from datetime import date

import pytest
from pydantic import ValidationError

from tests.records.bench import entry, machine
from valuer.domain.findings import findings
from valuer.domain.fixes import fix_catalogue
from valuer.domain.machine import Machine
from valuer.domain.safety import safety_verdict
from valuer.records.after_work import with_fix
from valuer.records.entries import FixDone


def done(fix: str, fault: str, *, cured: bool) -> FixDone:
    """A try on the third of May."""
    return FixDone(fix=fix, fault=fault, cured=cured, done_on=date(2026, 5, 3))


def test_a_cured_fault_is_off_the_machine_even_where_a_reading_showed_it() -> None:
    after = with_fix(entry(), done("needle_seat", "fuel_leak_carb", cured=True)).machine
    assert "fuel_leak_carb" not in {finding.fault for finding in findings(after)}
    assert "blade_dull" in {finding.fault for finding in findings(after)}


def test_a_failed_try_leaves_the_fault_and_is_kept() -> None:
    after = with_fix(entry(), done("needle_seat", "fuel_leak_carb", cured=False))
    assert "fuel_leak_carb" in {finding.fault for finding in findings(after.machine)}
    assert [each.cured for each in after.fixes] == [False]


def test_t46_a_fuel_leak_is_not_passed_until_both_papers_are_dry_again() -> None:
    # reference: a fuel-leak fix is not cured until the 5-minute and the 30-minute test are logged dry.
    after = with_fix(entry(), done("needle_seat", "fuel_leak_carb", cured=True)).machine
    assert not safety_verdict(after).may_be_sold
    assert "fuel" in safety_verdict(after).unchecked
    five = after.model_copy(update={"readings": after.readings.model_copy(update={"fuel_paper_5min": "dry"})})
    assert "fuel" in safety_verdict(five).unchecked, "five minutes alone do not show a weep"


def test_work_on_the_bar_takes_its_readings_and_checks_away() -> None:
    before = machine(checks={"recall": "passed", "bail": "passed"})
    after = with_fix(
        entry(machine=before), done("bail_restore", "bail_defeated", cured=True)
    ).machine  # the catalogue asks for blade_stop and bail again
    assert after.readings.blade_stop_s is None
    assert after.readings.fuel_paper_5min == "damp", "the fuel was not touched"
    assert after.checks == {"recall": "passed"}


def test_t54_a_cured_key_still_asks_for_the_crank() -> None:
    fix = next(fix.id for fix in fix_catalogue().values() if "sheared_key" in fix.cures)
    before = entry(machine=machine(faults=["sheared_key:serious"]))
    after = with_fix(before, done(fix, "sheared_key", cured=True)).machine
    assert after.faults == ()
    assert "crank" in safety_verdict(after).unchecked


def test_only_a_cured_strike_is_noted_as_one() -> None:
    """What followed from a strike leaves its trace once it is off the machine; nothing else says that it was struck."""
    key = next(fix.id for fix in fix_catalogue().values() if "sheared_key" in fix.cures)
    struck = entry(machine=machine(faults=["sheared_key:serious", "fuel_leak_carb:slight"]))
    cured, failed = (
        with_fix(struck, done(key, "sheared_key", cured=it_is)).machine for it_is in (True, False)
    )
    other = with_fix(struck, done("needle_seat", "fuel_leak_carb", cured=True)).machine
    assert (cured.readings.struck, failed.readings.struck, other.readings.struck) == (True, None, None)


def test_a_fix_goes_with_a_fault_it_may_cure() -> None:
    with pytest.raises(ValidationError, match="fault that needle_seat may cure must be"):
        done("needle_seat", "blade_dull", cured=True)
    with pytest.raises(ValidationError, match="did you mean 'needle_seat'"):
        done("needle_seet", "fuel_leak_carb", cured=True)


def test_the_machine_that_was_taken_in_is_not_changed() -> None:
    before = entry()
    with_fix(before, done("needle_seat", "fuel_leak_carb", cured=True))
    assert before == entry()
    assert isinstance(before.machine, Machine)
