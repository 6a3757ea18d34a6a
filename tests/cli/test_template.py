"""The template is a machine file: it can be filled in, and it explains everything that may stand in one."""

import csv
import io
import json

from tests.cli.conftest import Run
from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.readings import Readings
from valuer.records.files import machines_in

PARTS = ("attributes", "readings", "faults", "checks")


def test_the_blank_files_are_read_as_one_machine_of_which_nothing_is_known(run: Run) -> None:
    for args in ((), ("--csv",)):
        assert machines_in("standard input", run("template", *args).out.encode()) == (Machine(id="m1"),)


def test_every_name_a_file_may_hold_is_explained(run: Run) -> None:
    about = json.loads(run("template").out)["about"]
    assert set(about["attributes"]) == set(Machine.model_fields)
    assert set(about["readings"]) == set(Readings.model_fields)
    assert set(about["faults"]) == set(fault_catalogue())
    assert set(about["checks"]) == set(gate_catalogue())
    assert all(words for part in PARTS for words in about[part].values())


def test_both_forms_explain_the_same(run: Run) -> None:
    about = json.loads(run("template").out)["about"]
    remarks = [line for line in run("template", "--csv").out.splitlines() if line.startswith("# ")]
    assert len(remarks) == 1 + sum(len(about[part]) for part in PARTS)


def test_it_survives_a_spreadsheet(run: Run) -> None:
    # A spreadsheet parts the remarks at their commas and pads every row to the longest.
    rows = list(csv.reader(io.StringIO(run("template", "--csv").out)))
    width = max(map(len, rows))
    saved = io.StringIO()
    csv.writer(saved).writerows([*row, *[""] * (width - len(row))] for row in rows)
    assert machines_in("bench.csv", saved.getvalue().encode()) == (Machine(id="m1"),)
