"""Looks and checks that were done are written down, and the list goes on from there."""

import json
import shlex
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Run
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.cli import model
from valuer.domain.gates import Gate, gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.safety import safety_verdict

FILE = b"id,drive,age_years,faults\nm1,push,6,fuel_leak_carb:serious;hard_start:serious\n"


@pytest.fixture(autouse=True)
def _taken_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "records.sqlite"))
    assert run("take", "-", "--on", "2026-05-01", stdin=FILE).code == 0


def list_of(run: Run, *more: str) -> dict[str, Any]:
    (told,) = json.loads(run("next", "m1", "--json", "--month", "5", *more).out)["work_lists"]
    assert isinstance(told, dict)
    return told


def ids(told: dict[str, Any]) -> list[str]:
    return [part["id"] for step in told["steps"] for part in step["parts_of_it"]]


def test_a_look_on_record_leads_where_the_same_look_told_leads(run: Run) -> None:
    told = list_of(run, "--seen", "look_for_bowl_gasket=seen")
    assert told != list_of(run)
    ran = run("done", "m1", "look_for_bowl_gasket", "seen")
    assert ran.out == "m1: look for bowl gasket: seen. `valuer next m1` goes on from there.\n"
    assert list_of(run) == told


def test_a_fix_of_what_may_be_behind_a_symptom_is_written_down_as_it_is_told(run: Run) -> None:
    """A tank is flushed for stale fuel, which is behind the hard start on record."""
    assert (
        run("done", "m1", "tank_flush", "--cured").out.splitlines()[0]
        == "m1: hard_start cured by tank_flush."
    )
    (kept,) = json.loads(run("export").out)["machines"][0]["fixes"]
    assert (kept["fix"], kept["fault"], kept["cured"]) == ("tank_flush", "hard_start", True)
    assert 0 < kept["odds"] < 0.5
    assert kept["gain"] > 0
    learnt = run("learn")
    assert (learnt.code, "tank_flush" in learnt.out) == (0, True)


def test_a_fix_that_did_not_hold_is_not_advised_again(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(model, "load_adviser", lambda: Adviser(FakeModel(), model.own_records()))
    assert "bowl_gasket" in ids(list_of(run))
    assert run("done", "m1", "bowl_gasket", "still", "there").out == (
        "m1: bowl_gasket did not cure fuel_leak_carb.\n"
    )
    assert "bowl_gasket" not in ids(list_of(run))


def test_what_a_look_showed_may_be_said_with_blanks_and_be_taken_back(run: Run) -> None:
    before = run("export").out
    run("done", "m1", "look_for_bowl_gasket", "not", "seen")
    assert json.loads(run("export").out)["machines"][0]["machine"]["seen"] == {
        "look_for_bowl_gasket": "not_seen"
    }
    assert run("undo").out == "taken back: m1: look for bowl gasket: not seen\n"
    assert run("export").out == before


def test_a_check_on_record_is_a_check_in_the_file(run: Run) -> None:
    assert run("done", "m1", "recall", "passed").code == 0
    assert json.loads(run("export").out)["machines"][0]["machine"]["checks"] == {"recall": "passed"}
    unchecked = json.loads(run("price", "m1", "--json").out)["valuations"][0]["safety"]["unchecked"]
    assert "recall" not in unchecked


def test_next_says_how_what_came_of_its_step_is_written_down(run: Run) -> None:
    (line,) = [line for line in run("next", "m1").out.splitlines() if "What came of it" in line]
    command = line.split("valuer done ")[1].split(" or ")[0].split()
    assert run("done", *command).code == 0
    assert "What came of it" not in run("next", "rear drive, 6 years, hard to start").out


def told_of(line: str) -> list[list[str]]:
    """The words behind `valuer done` of each command that a line tells, with the first of its results."""
    first, _, others = line.split("valuer done ")[1].partition("; the same for ")
    name, *words = first.split(" or ")[0].split()
    fix = words[-1] == "--cured"
    return [
        [name, *words],
        *([name, *other.split(), "--cured"] for other in others.split(", ") if fix and other),
    ]


@pytest.mark.parametrize(
    "faults",
    ["dirty:serious;paint_faded:serious", "hard_start:serious;stale_fuel:serious;valve_lash_out:serious",
     "oil_leak_unknown:serious", "vibration:serious;blade_dull:serious", "surging:serious;primer_fault:serious"],
)  # fmt: skip
def test_every_step_is_written_down_by_the_line_that_next_tells(
    run: Run, monkeypatch: pytest.MonkeyPatch, faults: str
) -> None:
    """A fix for several faults tells each apart, a look that is a fix of the catalogue takes what it showed."""
    monkeypatch.setattr(model, "load_adviser", lambda: Adviser(FakeModel(), model.own_records()))
    monkeypatch.setenv("COLUMNS", "300")
    machine = f"id,drive,age_years,faults\nm2,rear_variable,6,{faults}\n".encode()
    assert run("take", "-", "--on", "2026-05-01", stdin=machine).code == 0
    for _ in range(30):
        told = run("next", "m2", "--month", "5", "--hour-value", "5")
        lines = [line for line in told.out.splitlines() if "What came of it" in line]
        if not lines:
            return
        for words in told_of(lines[0]):
            ran = run("done", *words)
            assert ran.code == 0, (lines[0], ran.err)
    pytest.fail("there is always something more to do")


BAD = {
    ("look_for_bowl_gasket",): "RESULT: what did look_for_bowl_gasket show? One of seen, not_seen",
    ("look_for_bowl_gasket", "wet"): (
        "--seen: outcome of look_for_bowl_gasket must be one of seen, not_seen; got 'wet'"
    ),
    ("three_tests", "spark"): (
        "STEP: expected a fix, a check or a look that m1 asks for, got 'three_tests'; `valuer next m1` names them"
    ),
    ("recal", "passed"): (
        "STEP: expected a fix, a check or a look that m1 asks for, got 'recal'; did you mean 'recall'?"
    ),
    ("recall", "perhaps"): "check result must be one of passed, failed; got 'perhaps'",
    ("blade_stop", "passed"): (
        "RESULT: blade_stop is passed by its readings, not by a word: "
        'valuer take "blade stops in 2.1 2.2 2.1 s" --name m1'
    ),
    ("recall", "passed", "--parts", "3"): "--parts: is for a fix; recall is a look or a check",
    ("recall", "passed", "--failed"): "--cured: is for a fix; recall is a look or a check",
    ("bowl_gasket", "perhaps"): "RESULT: expected --cured or --failed for a fix, got 'perhaps'",
}


@pytest.mark.parametrize("args", BAD)
def test_what_does_not_fit_gets_one_line_and_changes_nothing(run: Run, args: tuple[str, ...]) -> None:
    before = run("export").out
    ran = run("done", "m1", *args)
    assert (ran.code, ran.out, ran.err) == (2, "", f"valuer: {BAD[args]}\n")
    assert run("export").out == before


@pytest.mark.parametrize("gate", [gate for gate in gate_catalogue().values() if not gate.by_check])
def test_how_readings_are_said_that_pass_a_check_is_understood(run: Run, gate: Gate) -> None:
    """The line of the refusal, typed as it stands, takes every reading the check asks for, and passes it."""
    refused = run("done", "m1", gate.id, "passed")
    command = shlex.split(refused.err.partition("by a word: ")[2])
    run("take", "-", stdin=b"id,drive,age_years\nm1,push,6\n")
    assert run(*command[1:]).code == 0
    machine = Machine.model_validate(json.loads(run("export").out)["machines"][0]["machine"])
    assert all(getattr(machine.readings, name) is not None for name in gate.readings)
    assert gate.id not in safety_verdict(machine).unchecked
