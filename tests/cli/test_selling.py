"""Asking price, offer and listing on the command line: the API's document, 80 columns, nothing claimed."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.selling import PASSED
from tests.advice.test_asking_price import SeasonModel
from tests.cli.conftest import Run
from tests.fake_model import FakeModel
from tests.fake_selling import FakeSelling
from valuer.advice.sale.asking_price import asking_prices
from valuer.adviser import Adviser
from valuer.cli import show, show_selling
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

ROOT = Path(__file__).resolve().parents[2]
BENCH = str(ROOT / "valuer/demo/bench.json")
QUESTIONS = {"ask": "asking-prices", "offer": "offers", "listing": "listings"}
EXTRA: dict[str, dict[str, Any]] = {
    "ask": {"weeks": 9},
    "offer": {"weeks": 9, "offer": 80, "week": 2},
    "listing": {"weeks": 9, "done": ["new plug"]},
}


def options(name: str) -> list[str]:
    """The options that ask the same as EXTRA."""
    pairs = (
        (f"--{key}", str(value[0] if isinstance(value, list) else value))
        for key, value in EXTRA[name].items()
    )
    return [part for pair in pairs for part in pair]


def one(**changes: object) -> bytes:
    """A file with one machine that passes every check."""
    return json.dumps({"machines": [{**PASSED, **changes}]}).encode()


@pytest.mark.parametrize("name", QUESTIONS)
def test_json_is_the_document_of_the_api(run: Run, name: str) -> None:
    ran = run(name, BENCH, "--json", "--month", "10", *options(name))
    machines = json.loads(Path(BENCH).read_text("utf-8"))["machines"]
    question = {"machines": machines, "terms": {"month": 10}, **EXTRA[name]}
    answer = TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1").post(
        f"/v1/{QUESTIONS[name]}", json=question
    )
    assert json.loads(ran.out) == answer.json()


@pytest.mark.parametrize("name", QUESTIONS)
@pytest.mark.parametrize("few", [True, False])
def test_text_fits_80_columns_and_says_synthetic(run: Run, name: str, *, few: bool) -> None:
    ran = run(name, BENCH, "--month", "10", *options(name), *(["--machine", "scraper"] if few else []))
    assert ran.code == 0
    assert max(map(len, ran.out.splitlines())) <= 80
    assert "synthetic" in ran.out.lower()
    assert "\x1b" not in ran.out


def test_the_plan_is_shown_week_by_week_with_its_picture(run: Run) -> None:
    ran = run("ask", BENCH, "--month", "10", "--weeks", "5", "--machine", "scraper", "--full")
    plan = ran.out.split("The plan, week by week")[1].splitlines()
    weeks = [line.split() for line in plan if re.match(r"\s+[1-9]\s+(Oct|Nov)\b", line)]
    assert [week[0] for week in weeks] == ["1", "2", "3", "4", "5"]
    bars = [sum(mark in "█#" for mark in week[-1]) for week in weeks]
    assert bars == sorted(bars)


def test_a_sheet_for_the_handle_is_one_safe_page(run: Run, tmp_path: Path) -> None:
    """Escaped, self-contained, no script: what somebody writes is shown and never becomes markup."""
    target = tmp_path / "sheet.html"
    ran = run(
        "listing",
        "-",
        "--month",
        "5",
        "--done",
        "<script>alert(1)</script>",
        "--print",
        str(target),
        stdin=one(),
    )
    assert ran.code == 0
    page = target.read_text("utf-8")
    tags: list[str] = []

    class Tags(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            tags.append(tag)
            assert not {name for name, _ in attrs} & {"src", "href", "onload", "onclick"}

    Tags().feed(page)
    assert set(tags) <= {"html", "head", "meta", "title", "style", "body", "h1", "p", "pre", "footer"}
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_print_needs_one_machine(run: Run, tmp_path: Path) -> None:
    ran = run("listing", BENCH, "--print", str(tmp_path / "x.html"))
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == "valuer: --print: expected one machine, got 10; choose one with --machine\n"


def listing(run: Run, **changes: object) -> dict[str, object]:
    """The listing of one machine."""
    found: dict[str, object] = json.loads(
        run("listing", "-", "--month", "5", "--json", stdin=one(**changes)).out
    )["listings"][0]
    return found


def test_a_listing_names_every_fault_in_a_buyers_words(run: Run) -> None:
    text = str(listing(run, faults=["paint_faded:slight", "wheel_wobble:slight", "dirty:serious"])["text"])
    (faults,) = [line for line in text.splitlines() if line.startswith("Faults: ")]
    assert faults == (
        "Faults: dirty, grass caked underneath, some play in the wheels, paint matt with small chips."
    )
    assert "Starts cold in 2 pulls." in text
    assert "Price: " in text
    assert "Not tested: compression" in text


def test_a_listing_praises_nothing(run: Run) -> None:
    """Words that no reading can hold up."""
    text = str(listing(run)["text"]).lower()
    assert not re.findall(
        r"\b(best|perfect|excellent|great|amazing|like new|mint|immaculate|only needs|easy fix)\b", text
    )


@pytest.mark.parametrize(
    ("checks", "says"),
    [({}, "For repair, once the recall check has passed: "), ({"recall": "passed"}, "For repair: ")],
)
def test_a_non_runner_is_asked_for_as_what_it_is(run: Run, checks: dict[str, str], says: str) -> None:
    text = run("ask", "-", "--month", "5", stdin=one(faults=["no_start:serious"], checks=checks)).out
    assert says in " ".join(text.split())


@pytest.mark.parametrize(
    ("changes", "route", "words"),
    [
        ({"faults": ["guard_missing:serious"], "checks": {"recall": "passed"}}, "for repair", "Not to be run until"),
        ({"faults": ["recall_open:serious"]}, None, "recall"),
        ({"checks": {}}, None, "recall"),
        ({"readings": {"cold_pulls": 1}}, None, "blade stop"),
        ({"faults": ["no_start:serious"], "checks": {"recall": "passed"}}, "for repair", "does not start"),
    ],
)  # fmt: skip
def test_what_may_not_be_sold_as_working_gets_a_repair_listing_or_none(
    run: Run, changes: dict[str, object], route: str | None, words: str
) -> None:
    """Unmeasured is not passed; a fault that must be cured is written on a listing for repair; a recall ends it."""
    found = listing(run, **changes)
    assert found["sold_as"] == route
    assert (found["refusal"] is None) == (route is not None)
    assert words in str(found["text"] if route else found["refusal"])
    assert route is not None or found["text"] == ""


BAD = {
    ("ask", BENCH, "--weeks", "0"): "--weeks",
    ("offer", BENCH): "--offer",
    ("offer", BENCH, "--offer", "-5"): "--offer",
    ("offer", BENCH, "--offer", "nan"): "--offer",
    ("offer", BENCH, "--offer", "10", "--week", "99"): "--week",
}


@pytest.mark.parametrize("args", BAD)
def test_bad_input_gets_one_line_and_exit_2(run: Run, args: tuple[str, ...]) -> None:
    ran = run(*args)
    assert (ran.code, ran.out) == (2, "")
    assert len(ran.err.splitlines()) == 1
    assert BAD[args] in ran.err


@pytest.mark.parametrize(("month", "said"), [(12, "in March ask"), (5, ", ask ")])
def test_prices_of_spring_say_that_they_are_those_of_spring(
    capsys: pytest.CaptureFixture[str], month: int, said: str
) -> None:
    """A machine kept for March is worth so much now and asked for in March; the least is that of today."""
    machine = Machine.model_validate({**PASSED, "id": "m1", "faults": []})
    terms = ShopTerms(month=month)
    answers = asking_prices([machine], SeasonModel(), FakeSelling(), terms)
    show_selling.asking_prices(show.console(), answers, full=False)
    told = " ".join(capsys.readouterr().out.split())
    assert said in told
    assert ("least today" in told) == (month == 12)
