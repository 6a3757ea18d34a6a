"""What was written down lately goes back in the order it came, and what was done at once goes back at once."""

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from valuer.records import imports

TWO = b"id,drive,faults\nm1,push,blade_dull:slight\nm2,push,\n"
PRICES = b"id,drive,kind,sold_on,price\na1,push,ask_seen,2026-05-01,120\na2,push,ask_seen,2026-05-02,90\n"
SALES = b"id,drive,sold_on,price\ns1,push,2026-05-01,120\ns2,push,2026-05-02,90\n"


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "records.sqlite"))


def on_record(run: Run) -> list[str]:
    return [line["id"] for line in json.loads(run("records", "--json").out)["lines"]]


def test_said_again_it_takes_back_the_one_before(run: Run) -> None:
    run("take", "-", stdin=TWO)
    run("listed", "m1", "--ask", "90")
    run("sold", "m1", "80")
    assert run("undo").out == "taken back: m1: sold for 80\n"
    assert run("undo").out == "taken back: m1: listed at 90\n"
    assert run("undo").out == "taken back: m2: taken in\ntaken back: m1: taken in\n", "one file, one deed"
    assert on_record(run) == []
    ran = run("undo")
    assert (ran.code, ran.err) == (2, "valuer: nothing is remembered that could be taken back\n")


def test_one_machines_last_deed_goes_back_alone(run: Run) -> None:
    run("take", "-", stdin=TWO)
    run("listed", "m2", "--ask", "90")
    assert run("undo", "m1").out == "taken back: m1: taken in\n"
    assert on_record(run) == ["m2"]
    assert "nothing of m1 is remembered" in run("undo", "m1").err


def test_struck_by_mistake_comes_back_whole(run: Run) -> None:
    run("take", "-", stdin=TWO)
    run("done", "m1", "blade_sharpen", "--failed", "--parts", "3")
    before = run("export").out
    run("records", "--remove", "m1")
    assert run("undo").out == "taken back: m1: removed\n"
    assert run("export").out == before


def test_the_list_shows_and_takes_nothing_back(run: Run) -> None:
    run("take", "-", stdin=TWO)
    run("undo", "m2")
    lines = run("undo", "--list").out.splitlines()
    assert [line.split("  ")[1] for line in lines] == ["m2: taken in (taken back)", "m1: taken in"]
    assert on_record(run) == ["m1"]
    deeds = json.loads(run("undo", "--list", "--json").out)["deeds"]
    assert [(deed["id"], deed["words"], deed["undone"]) for deed in deeds] == [
        ("m2", "taken in", True),
        ("m1", "taken in", False),
    ]


@pytest.mark.parametrize("rows", [SALES, PRICES])
def test_an_import_goes_back_whole(run: Run, rows: bytes) -> None:
    run("take", "-", stdin=TWO)
    before = run("export").out
    assert run("import", "-", stdin=rows).code == 0
    assert run("export").out != before
    assert run("undo").code == 0
    assert run("export").out == before
    run("import", "-", stdin=rows)
    assert run("import", "-", stdin=rows).out.startswith("0 machines added"), "taken back, it can come again"


def test_an_import_over_what_was_there_gives_it_back(run: Run) -> None:
    run("take", "-", stdin=TWO)
    before = run("export").out
    run("import", "-", "--replace", stdin=before.replace("push", "all_wheel").encode())
    run("undo")
    assert run("export").out == before


def test_an_import_that_was_worked_on_since_is_not_taken_back_in_part(run: Run) -> None:
    run("import", "-", stdin=SALES)
    run("sold", "s2", "--undo")
    run("undo", "s1")
    before = run("export").out
    ran = run("undo", "s1")
    assert ran.code == 2
    assert run("undo").out == "taken back: s2: sale taken back\n"
    assert run("undo").out == "taken back: s2: taken in\n", "s1 went back before"
    assert before != run("export").out
    assert on_record(run) == []


def test_too_many_to_be_remembered_are_copied_before(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(imports, "MOST_AT_ONCE", 1)
    run("take", "-", stdin=TWO)
    before = run("export").out
    ran = run("import", "-", stdin=SALES)
    assert "Too many at once for `valuer undo`; the records as they were: valuer restore " in ran.out
    run("restore", ran.out.strip().split("valuer restore ")[1])
    assert run("export").out == before
