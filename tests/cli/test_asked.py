"""Which machines a command is about: a file, a name on record, a line of words, or the whole bench."""

import json
import re
from pathlib import Path

import pytest

from tests.cli.conftest import Run

LINE = "rear drive, 21 in, 6 years, mid price, rings while running, damp under the carburettor, blade stops in 2.1 s"
COMMANDS = ("price", "fixes", "next", "ask", "buy", "listing", "quote", "bench")


@pytest.fixture(autouse=True)
def own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Records of each test's own."""
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "own.sqlite"))


@pytest.mark.parametrize("command", COMMANDS)
def test_every_question_takes_a_machine_in_words_and_says_first_what_it_understood(
    run: Run, command: str
) -> None:
    ran = run(command, LINE, "--month", "may")
    assert ran.code == 0, ran.err
    first = " ".join(ran.out.split())
    assert first.startswith(
        "Understood: blade stop: 2.1 s; age: 6 years; deck width: 21 in; drive: rear variable"
    )
    assert "starter_noise:serious (rings while running)" in first


@pytest.mark.parametrize("years", range(1, 13))
@pytest.mark.parametrize(
    "found", ["won't start", "rings while running, blade bent, bag missing, dirty, paint faded"]
)
def test_whole_figures_of_a_price_add_up(run: Run, years: int, found: str) -> None:
    """Value and what the faults take off are the sound value, and the faults each are what they take off."""
    said = " ".join(
        run("price", f"rear drive, 21 in, {years} years, mid price, {found}", "--month", "5").out.split()
    )
    value, sound, off = (
        int(re.findall(words, said)[0])
        for words in (r"about (\d+) USD", r"Sound about (\d+)", r"take off (\d+)")
    )
    (each,) = re.findall(r"take off \d+: ([^.]*)\.", said)
    assert value + off == sound
    assert sum(int(part.rsplit(" ", 1)[1]) for part in each.split(", ")) == off


def test_words_need_no_quotes(run: Run) -> None:
    assert run("price", *LINE.split(), "--month", "5") == run("price", LINE, "--month", "5")


def test_beside_a_document_the_words_are_said_on_standard_error(run: Run) -> None:
    ran = run("price", LINE, "--json", "--month", "5")
    assert json.loads(ran.out)["valuations"][0]["id"] == "it"
    assert ran.err.startswith("Understood: ")


def test_what_has_to_be_asked_is_said_to_be_left_out(run: Run) -> None:
    ran = run("price", "push mower, 20 in, leaks, blade stops in 3,1 s")
    assert "Not counted until you say: what leaks, oil or fuel, and where from?" in ran.out
    assert "3.1 s, or 2 runs of 3 and 1 s" in " ".join(ran.out.split())


def test_a_machine_of_the_records_is_asked_about_by_its_name(run: Run) -> None:
    run("take", "-", stdin=b"id,age_years\ngreen-1,6\ngreen-2,7\n")
    named = run("price", "green-1", "--json", "--month", "5")
    assert [each["id"] for each in json.loads(named.out)["valuations"]] == ["green-1"]
    both = run("price", "green-2", "green-1", "--json", "--month", "5")
    assert [each["id"] for each in json.loads(both.out)["valuations"]] == ["green-2", "green-1"]


def test_nothing_named_is_all_that_stands_on_the_bench(run: Run) -> None:
    run("take", "-", stdin=b"id,age_years\ngreen-1,6\ngreen-2,7\n")
    run("sold", "green-2", "90")
    ran = run("price", "--json", "--month", "5")
    assert [each["id"] for each in json.loads(ran.out)["valuations"]] == ["green-1"]


def test_an_empty_bench_says_what_to_do(run: Run) -> None:
    ran = run("price")
    assert ran.code == 2
    assert ran.err.startswith(
        "valuer: nothing stands on the bench in your records; name a file, or say it in words"
    )


def test_a_file_that_is_not_there_is_no_machine_in_words(run: Run, tmp_path: Path) -> None:
    for name in ("none.csv", "push.csv", str(tmp_path / "none.json")):
        assert "no such file" in run("price", name).err


def test_nonsense_is_refused_in_one_line(run: Run) -> None:
    ran = run("price", "colourless green ideas sleep")
    assert ran.code == 2
    assert ran.err.startswith("valuer: nothing was understood for sure of 'colourless green ideas sleep'")
    assert len(ran.err.splitlines()) == 1


def test_read_prints_the_machine_as_a_machine_file_has_it(run: Run, tmp_path: Path) -> None:
    told = json.loads(run("read", LINE, "--name", "m1", "--json").out)
    assert told["machine"]["faults"] == ["starter_noise:serious", "fuel_leak_carb:slight"]
    assert told["machine"]["readings"] == {"blade_stop_s": [2.1]}
    file = tmp_path / "m1.json"
    file.write_text(json.dumps(told["machine"]))
    assert run("price", str(file), "--json").code == 0


def test_read_takes_standard_input(run: Run) -> None:
    assert run("read", "-", stdin=LINE.encode()).out == run("read", LINE).out


def test_a_machine_in_words_is_taken_in_and_keeps_its_name(run: Run) -> None:
    ran = run("take", "push mower, 20 in, won't start", "--name", "grey-7", "--paid", "12,50")
    assert ran.out.endswith("grey-7: taken in.\n")
    assert run("price", "grey-7").code == 0


FAULTY = "rear drive, 21 in, 6 years, mid price, won't start, blade bent, rings while running, bag missing"


@pytest.mark.parametrize("line", [LINE, FAULTY])
@pytest.mark.parametrize("command", ["price", "ask", "fixes", "next", "buy", "offer"])
def test_the_answer_of_one_machine_comes_first_and_fits_twelve_lines(
    run: Run, command: str, line: str
) -> None:
    run("take", line, "--name", "green-1")
    _fits_twelve_lines(run, command)


@pytest.mark.parametrize("command", ["ask", "offer"])
def test_it_fits_them_after_weeks_of_standing_too(run: Run, command: str) -> None:
    run("take", FAULTY, "--name", "green-1", "--on", "2026-05-01", "--sure")
    for day in ("2026-05-04", "2026-05-11", "2026-05-18"):
        run("listed", "green-1", "--ask", "150", "--offer", "90", "--on", day, "--sure")
    _fits_twelve_lines(run, command)


def _fits_twelve_lines(run: Run, command: str) -> None:
    more = {"offer": ["--offer", "60"], "buy": ["--asked", "30"]}.get(command, [])
    asked = [command, "green-1", "--month", "5", *more]
    short, full = run(*asked), run(*asked, "--full")
    assert len(short.out.splitlines()) <= 12, short.out
    assert len(full.out.splitlines()) > 12
    assert "--full" in short.out
    if command in ("ask", "offer", "buy"):
        assert re.search(r"^(Caution, |Mind: )", short.out, re.MULTILINE), "cautions are never left to --full"


def test_what_keeps_it_from_being_sold_and_the_caution_stay_in_the_short_answer(run: Run) -> None:
    run("take", LINE, "--name", "green-1")
    said = " ".join(run("price", "green-1", "--month", "5").out.split())
    assert "Not for sale as a working mower" in said
    assert "Drain the fuel, take the plug lead off" in said


def test_a_month_may_be_named(run: Run) -> None:
    for month in ("may", "May", "5"):
        assert run("price", LINE, "--month", month) == run("price", LINE, "--month", "05")
    assert "expected a month, such as april, apr or 4, got 'ma'" in run("price", LINE, "--month", "ma").err


def test_a_name_in_other_capitals_is_asked_back(run: Run) -> None:
    run("take", "-", stdin=b"id,age_years\nGreen-1,6\n")
    ran = run("price", "green-1")
    assert ran.code != 0
    assert "green-1: no file and no machine on record is called so; did you mean 'Green-1'?" in ran.err
