"""The demo: an invented bench with the hard cases of the trade, from values to the ranking."""

import re

import pytest

from tests.cli.conftest import Run
from valuer.demo import demo_bench
from valuer.domain.findings import findings
from valuer.domain.machine import Machine
from valuer.domain.safety import safety_verdict

ABOUT, BENCH = demo_bench()
MACHINES = {machine.id: machine for machine in BENCH}


def test_the_demo_shows_every_machine_and_says_that_all_is_invented(run: Run) -> None:
    ran = run("demo")
    assert (ran.code, ran.err) == (0, "")
    assert all(machine.id in ran.out for machine in BENCH)
    assert "invented" in ran.out[:200]
    assert ran.out.lower().count("synthetic") == 1
    assert max(map(len, ran.out.splitlines())) <= 80


def test_the_demo_gives_values_fault_costs_fixes_safety_cautions_and_a_ranking(run: Run) -> None:
    out = run("demo").out
    for part in ("takes off", "First:", "Which machine next", "Cautions:", "Least sure about:"):
        assert part in out
    assert re.search(r"(step \d+|stop)", out)
    assert "Not for sale as a working mower; must be cured first: fuel leak at carburettor" in " ".join(
        out.split()
    )
    assert "may be sold as a working mower" in out.lower()


def test_the_bench_is_ten_machines_said_to_be_invented() -> None:
    assert len(BENCH) == 10
    assert "invented" in ABOUT
    assert all(machine.note and machine.readings.model_fields_set for machine in BENCH)


# Kinds of machine that a repairer finds hard, with the fault that must come out of findings and readings.
HARD_CASES = {
    "scraper": {"starter_noise", "height_adjust_broken"},
    "night-weep": {"fuel_leak_carb", "estart_dead"},
    "oil-puzzle": {"oil_leak_unknown"},
    "slow-stop": {"blade_brake_slow"},
    "rust-hole": {"deck_rust_hole"},
    "late-november": set(),
    "worn-engine": {"low_compression", "smoke_blue"},
    "august-dead": {"no_start", "weak_spark"},
    "stump-hit": {"vibration", "sheared_key"},
    "recalled": {"recall_open"},
}


@pytest.mark.parametrize("name", HARD_CASES)
def test_the_hard_cases_show_what_they_are_there_for(name: str) -> None:
    assert HARD_CASES[name] <= {finding.fault for finding in findings(MACHINES[name])}


def test_the_weep_is_found_by_the_night_and_not_by_five_minutes() -> None:
    weep = MACHINES["night-weep"].readings
    assert (weep.fuel_paper_5min, weep.fuel_paper_soak) == ("dry", "damp")
    declared = {finding.fault for finding in MACHINES["night-weep"].faults}
    assert "fuel_leak_carb" not in declared


def test_the_machine_with_nothing_wrong_may_be_sold_and_the_recalled_one_may_not() -> None:
    assert safety_verdict(MACHINES["late-november"]).may_be_sold
    assert not findings(MACHINES["late-november"])
    verdict = safety_verdict(MACHINES["recalled"])
    assert not verdict.may_be_sold
    assert verdict.recall_block


def test_a_machine_that_nobody_tested_may_not_be_sold() -> None:
    # The cheap dead one carries no reading but its spark: every gate is open.
    dead: Machine = MACHINES["august-dead"]
    assert dead.readings.model_fields_set == {"spark_gap_mm"}
    assert len(safety_verdict(dead).unchecked) > 5
