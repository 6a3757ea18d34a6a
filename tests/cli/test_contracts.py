"""What holds for every command: help, a place in the README, one line for bad input, the API's document."""

import json
import re
from pathlib import Path

import click
import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from tests.cli.conftest import Run
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.cli import cli
from valuer.cli.options import Count, Figure

ROOT = Path(__file__).resolve().parents[2]
BENCH = str(ROOT / "valuer/demo/bench.json")
QUESTIONS = {
    "price": "valuations",
    "fixes": "work-lists",
    "next": "work-lists",
    "buy": "purchase-limits",
    "bench": "bench-plans",
}


@pytest.mark.parametrize("name", cli.commands)
def test_every_command_and_option_has_help(name: str) -> None:
    command = cli.commands[name]
    assert command.help
    assert command.get_short_help_str(60).rstrip(".") == command.help.split("\n")[0].rstrip("."), (
        "fits one line"
    )
    for parameter in command.params:
        assert not isinstance(parameter, click.Option) or parameter.help, f"--{parameter.name} has no help"


@pytest.mark.parametrize("name", cli.commands)
def test_every_command_stands_in_the_readme(name: str) -> None:
    assert f"valuer {name}" in (ROOT / "README.md").read_text("utf-8")


def test_the_readme_names_no_command_that_is_not_there() -> None:
    named = re.findall(r"valuer ([a-z]+)\b", "\n".join(code_blocks((ROOT / "README.md").read_text("utf-8"))))
    assert named
    assert set(named) <= set(cli.commands)


def test_the_readme_begins_with_a_try_and_a_test_that_need_nothing_but_python() -> None:
    blocks = re.findall(
        r"^```sh\n(.*?)^```$", (ROOT / "README.md").read_text("utf-8"), re.DOTALL | re.MULTILINE
    )
    assert len(blocks) == 2
    assert all(block.startswith("python3 -m venv .venv && ") for block in blocks)
    assert blocks[0].endswith("valuer demo\n")
    assert blocks[1].endswith("-m pytest -n 2\n")


def code_blocks(markdown: str) -> list[str]:
    """The fenced blocks of a Markdown text."""
    return re.findall(r"^```[a-z]*\n(.*?)^```$", markdown, re.DOTALL | re.MULTILINE)


@pytest.mark.parametrize("name", cli.commands)
def test_help_needs_nothing_but_the_command(run: Run, name: str) -> None:
    ran = run(name, "--help")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(f"Usage: valuer {name}")


@pytest.fixture
def bench(name: str, tmp_path: Path) -> str:
    """The demo bench; two machines of it for `buy`, which decides two dozen imagined machines for each."""
    if name != "buy":
        return BENCH
    two = json.loads(Path(BENCH).read_text("utf-8"))["machines"][:2]
    (tmp_path / "two.json").write_text(json.dumps({"machines": two}), "utf-8")
    return str(tmp_path / "two.json")


@pytest.mark.parametrize("name", QUESTIONS)
def test_json_is_the_document_of_the_api(run: Run, name: str, bench: str) -> None:
    ran = run(name, bench, "--json", "--month", "5", "--hour-value", "14", "--currency", "EUR")
    machines = json.loads(Path(bench).read_text("utf-8"))["machines"]
    question = {"machines": machines, "terms": {"month": 5, "hour_value": 14, "currency": "EUR"}}
    answer = TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1").post(
        f"/v1/{QUESTIONS[name]}", json=question
    )
    assert json.loads(ran.out) == answer.json()


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_question_takes_standard_input(run: Run, name: str, bench: str) -> None:
    piped = run(name, "-", "--json", "--month", "5", stdin=Path(bench).read_bytes())
    assert piped == run(name, bench, "--json", "--month", "5")


@pytest.mark.parametrize("name", QUESTIONS)
def test_text_fits_80_columns_and_says_synthetic_once(run: Run, name: str, bench: str) -> None:
    ran = run(name, bench, "--month", "5")
    assert ran.code == 0
    assert max(map(len, ran.out.splitlines())) <= 80
    assert ran.out.lower().count("synthetic") == 1
    assert "\x1b" not in ran.out, "no colour where standard output is no terminal"


BAD = {
    ("price",): (
        "nothing stands on the bench in your records; name a file, or say it in words: "
        "valuer price rear drive, 21 in, 6 years, hard to start"
    ),
    ("price", "none.csv"): "none.csv: no such file; give a machine file, or - for standard input",
    ("price", BENCH, "--hour-value", "-3"): "--hour-value: expected 0 to 1000000, got -3",
    (
        "price",
        BENCH,
        "--hour-value",
        "nan",
    ): "--hour-value: expected an amount of money, got 'nan'; leave it empty when unknown",
    (
        "fixes",
        BENCH,
        "--cash",
        "inf",
    ): "--cash: expected an amount of money, got 'inf'; leave it empty when unknown",
    ("fixes", BENCH, "--hours=-1"): "--hours: expected 0 h to 10000 h, got -1 h",
    ("bench", BENCH, "--month", "13"): "--month: expected a month, such as april, apr or 4, got '13'",
    ("bench", BENCH, "--currency", "euro"): "--currency: currency must be three capital letters, got 'euro'",
    ("bench", BENCH, "--price-level", "0"): "--price-level: expected 0.001 to 10000, got 0",
    (
        "price",
        BENCH,
        "--machine",
        "scrapper",
    ): ("--machine: no machine 'scrapper' in the file; did you mean 'scraper'?"),
    ("prize",): "No such command 'prize'. Did you mean 'price'? (`valuer --help` explains)",
    ("price", BENCH, "--curency", "EUR"): (
        "No such option '--curency'. Did you mean '--currency'? (`valuer price --help` explains)"
    ),
}


@pytest.mark.parametrize("args", BAD)
def test_bad_input_gets_one_line_and_exit_2(
    run: Run, args: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "none.sqlite"))
    ran = run(*args)
    assert (ran.code, ran.out, ran.err) == (2, "", f"valuer: {BAD[args]}\n")


def test_every_bad_row_gets_a_line(run: Run) -> None:
    ran = run("price", "-", stdin=b"id,age_years\nm1,old\nm2,-1\n")
    assert (ran.code, ran.out) == (2, "")
    assert [line.split(", age_years")[0] for line in ran.err.splitlines()] == [
        "valuer: standard input, row 2",
        "valuer: standard input, row 3",
    ]


def test_a_fault_of_ours_is_one_line_too(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> Adviser:
        raise ZeroDivisionError("wheel")

    monkeypatch.setattr("valuer.cli.model.load_adviser", broken)
    ran = run("price", BENCH)
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == "valuer: a fault of ours (ZeroDivisionError: wheel); VALUER_DEBUG=1 shows where\n"


def numbers() -> list[tuple[str, str]]:
    """Every option and argument of every command that takes a figure."""
    found = [
        (name, parameter.opts[0])
        for name, command in cli.commands.items()
        for parameter in command.params
        if isinstance(parameter.type, Figure | Count)
    ]
    assert len(found) > len(cli.commands)
    return found


@pytest.mark.parametrize(("name", "option"), numbers())
@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "1e999"])
def test_what_is_no_number_is_refused_in_one_line_before_anything_is_done(
    run: Run, monkeypatch: pytest.MonkeyPatch, name: str, option: str, number: str
) -> None:
    # NaN compares with nothing, so no bound stops it by itself.
    monkeypatch.setattr("valuer.cli.model.load_adviser", lambda: pytest.fail("nothing is asked of the model"))
    given = {"offer": ("--offer", "5"), "listed": ("--ask", "5"), "train": ("--sales", "none.csv")}.get(
        name, ()
    )
    where = {"sold": ("m1",), "done": ("m1", "blade_sharpen", "--cured"), "listed": ("m1",)}.get(
        name, (BENCH,)
    )
    rest = () if option in given else given
    asked = (f"{option}={number}",) if option.startswith("-") else ("--", number)
    ran = run(name, *(() if name in {"learn", "accuracy", "train"} else where), *rest, *asked)
    assert (ran.code, ran.out) == (2, "")
    assert len(ran.err.splitlines()) == 1
    assert "fault of ours" not in ran.err
    assert option.lstrip("-").replace("-", "_").upper() in ran.err.upper().replace("-", "_")


@pytest.mark.parametrize("name", [*QUESTIONS, "ask", "offer", "quote", "listing"])
def test_a_number_from_outside_of_the_data_is_said_to_be_one(run: Run, name: str) -> None:
    # 38 years: the fake model knows no range of its own, but few sales of any kind are over 16.
    old = {"id": "m1", "age_years": 38, "checks": {"recall": "passed"}, "faults": ["no_start:serious"]}
    more = {"offer": ("--offer", "50")}.get(name, ())
    ran = run(name, "-", "--month", "5", *more, stdin=json.dumps({"machines": [old]}).encode())
    assert ran.code == 0
    assert "Outside the range of the data: 38 years old" in " ".join(ran.out.split())
