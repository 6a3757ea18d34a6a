"""The template is a machine file: an example to write over, explained where that is asked for."""

import csv
import io
import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from valuer.demo import demo_bench
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.readings import Readings
from valuer.records.files import machines_in, read_machines

PARTS = ("attributes", "readings", "faults", "checks")
FORMS = ((), ("--csv",), ("--explain",), ("--csv", "--explain"))


@pytest.mark.parametrize("form", FORMS)
def test_every_form_holds_the_same_example_which_says_it_is_one(run: Run, form: tuple[str, ...]) -> None:
    (machine,) = machines_in("standard input", run("template", *form).out.encode())
    assert machine.note == "An example: write your own over it."
    assert machine == machines_in("standard input", run("template").out.encode())[0]
    found = {item.fault for item in findings(machine)}
    assert {"fuel_leak_carb", "blade_dull"} <= found, "its faults"
    assert machine.readings.blade_stop_s == (2.1, 2.3, 2.2)


def test_a_table_begins_with_its_header_and_one_filled_row(run: Run) -> None:
    for more in ((), ("--explain",)):
        header, row, *remarks = run("template", "--csv", *more).out.splitlines()
        assert header.split(",") == list(Machine.model_fields)
        assert row.startswith("green-1,")
        assert all(line.startswith("# ") for line in remarks)
    assert len(run("template", "--csv").out.splitlines()) == 3, "header, example, how to write"


def test_every_name_a_file_may_hold_is_explained(run: Run) -> None:
    about = json.loads(run("template", "--explain").out)["about"]
    assert set(about["attributes"]) == set(Machine.model_fields)
    assert set(about["readings"]) == set(Readings.model_fields)
    assert set(about["faults"]) == set(fault_catalogue())
    assert set(about["checks"]) == set(gate_catalogue())
    assert all(words for part in PARTS for words in about[part].values())


def test_both_forms_explain_the_same(run: Run) -> None:
    about = json.loads(run("template", "--explain").out)["about"]
    remarks = [
        line for line in run("template", "--csv", "--explain").out.splitlines() if line.startswith("# ")
    ]
    assert len(remarks) == 1 + sum(len(about[part]) for part in PARTS)


@pytest.mark.parametrize("more", [(), ("--explain",)])
def test_it_survives_a_spreadsheet(run: Run, more: tuple[str, ...]) -> None:
    # A spreadsheet parts the remarks at their commas and pads every row to the longest.
    text = run("template", "--csv", *more).out
    rows = list(csv.reader(io.StringIO(text)))
    width = max(map(len, rows))
    saved = io.StringIO()
    csv.writer(saved).writerows([*row, *[""] * (width - len(row))] for row in rows)
    assert machines_in("bench.csv", saved.getvalue().encode()) == machines_in("bench.csv", text.encode())


@pytest.mark.parametrize("name", ["bench.csv", "bench.json"])
def test_the_demo_is_written_as_a_file_that_answers_like_the_demo(
    run: Run, tmp_path: Path, name: str
) -> None:
    written = tmp_path / name
    assert run("demo", "--write", str(written)).code == 0
    assert read_machines(str(written)) == demo_bench()[1]
    again = run("demo", "--write", str(written))
    assert (again.code, again.err) == (2, f"valuer: --write: {name} is there already; give another name\n")


def test_the_demo_writes_no_other_form(run: Run, tmp_path: Path) -> None:
    ran = run("demo", "--write", str(tmp_path / "bench.txt"))
    assert ran.err == "valuer: --write: expected a name that ends in .csv or .json, got 'bench.txt'\n"
