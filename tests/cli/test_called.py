"""What its owner calls a machine stands beside its short id, wherever an answer names it."""

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run

CALLED = "Müller's 21\""
CSV = 'id,drive,age_years,tier,faults\n"Müller\'s 21""",push,6,mid,blade_dull:slight\n'
ANSWERS = ("price", "fixes", "next", "buy", "quote", "ask", "bench", "listing", "offer")


def options(command: str) -> list[str]:
    """What a command cannot do without."""
    return ["--offer", "50"] if command == "offer" else []


@pytest.fixture
def file(tmp_path: Path) -> str:
    """One machine under the name its owner gave it."""
    path = tmp_path / "bench.csv"
    path.write_text(CSV, "utf-8")
    return str(path)


@pytest.mark.parametrize("command", ANSWERS)
def test_an_answer_names_a_machine_as_its_owner_does(run: Run, file: str, command: str) -> None:
    ran = run(command, *options(command), file, "--month", "5")
    assert ran.code == 0, ran.err
    assert "muellers-21" in ran.out
    assert CALLED in " ".join(ran.out.split())


@pytest.mark.parametrize("command", ["price", "fixes", "ask"])
def test_a_table_of_many_says_below_it_who_is_who(run: Run, tmp_path: Path, command: str) -> None:
    path = tmp_path / "many.csv"
    path.write_text(CSV + "".join(f"m{n},push,6,mid,\n" for n in range(5)), "utf-8")
    ran = run(command, str(path), "--month", "5")
    assert f"muellers-21 is {CALLED}." in " ".join(ran.out.split())
    assert max(map(len, ran.out.splitlines())) <= 80


def test_the_documents_carry_it(run: Run, file: str) -> None:
    (told,) = json.loads(run("price", file, "--json").out)["valuations"]
    assert (told["id"], told["called"]) == ("muellers-21", CALLED)


def test_the_records_list_it(run: Run, file: str) -> None:
    assert run("take", file).code == 0
    assert f"muellers-21 is {CALLED}." in run("records").out
    assert CALLED in run("price", "muellers-21").out


def test_it_never_reaches_a_buyer(run: Run, file: str) -> None:
    (draft,) = json.loads(run("listing", file, "--month", "5", "--json").out)["listings"]
    for_buyers = {name: told for name, told in draft.items() if name not in ("id", "called")}
    assert "Müller" not in json.dumps(for_buyers, ensure_ascii=False)
