"""Own terms, set on page or phone, hold on the command line too; an option or VALUER_WORDS goes before them."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Run
from valuer.clock import now
from valuer.records.store.store import open_store

MACHINE = "push, 20 in, 5 years, carb drips"


@pytest.fixture(autouse=True)
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A shop whose hour is worth 40, that counts in euros, speaks American and has three hours this week."""
    where = str(tmp_path / "records.sqlite")
    monkeypatch.setenv("VALUER_STORE", where)
    store = open_store(now(), where)
    terms = {"hour_value": 40.0, "currency": "EUR", "price_level": 2.0, "hours": 3.0, "cash": None}
    store.keep_terms({"terms": terms, "weeks": 6, "words": "american"}, 0, now())
    store.close()


def told(run: Run, *args: str) -> Any:
    """The one answer of a question."""
    ran = run(*args, "--month", "5", "--json")
    assert ran.code == 0, ran.err
    return next(iter(json.loads(ran.out).values()))


def test_money_hour_and_level_are_those_of_the_shop(run: Run) -> None:
    ours, usual = told(run, "price", MACHINE)[0], told(run, "price", MACHINE, "--price-level", "1")[0]
    assert ours["value"]["currency"] == "EUR"
    assert ours["value"]["amount"] == pytest.approx(2 * usual["value"]["amount"], rel=0.01)
    assert told(run, "fixes", MACHINE)[0]["hour_value"] == 40


def test_an_option_goes_before_them(run: Run) -> None:
    assert told(run, "fixes", MACHINE, "--hour-value", "9")[0]["hour_value"] == 9
    assert told(run, "price", MACHINE, "--currency", "USD")[0]["value"]["currency"] == "USD"


def test_the_weeks_hours_bind_the_week_and_no_single_machine(run: Run) -> None:
    week = told(run, "bench", MACHINE)
    assert (week["hours_free"], week["cash_free"]) == (3, None)
    assert told(run, "fixes", MACHINE) == told(run, "fixes", MACHINE, "--hours", "10000")


def test_the_english_of_the_page_is_that_of_the_answers(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "carburetor" in run("find", "carburettor").out
    monkeypatch.setenv("VALUER_WORDS", "british")
    assert "carburettor" in run("find", "carburetor").out


def test_weeks_to_sell_in_are_those_of_the_shop(run: Run) -> None:
    assert told(run, "ask", "push, 20 in, 5 years")[0]["horizon"] == 6
    assert told(run, "ask", "push, 20 in, 5 years", "--weeks", "9")[0]["horizon"] == 9


def test_a_sale_is_expected_in_the_shops_money(run: Run) -> None:
    run("take", MACHINE, "--name", "green-1")
    run("sold", "green-1", "120", "--sure")
    (entry,) = json.loads(run("export").out)["machines"]
    assert entry["sale"]["prediction"]["amount"] == pytest.approx(
        told(run, "price", "green-1", "--month", "11")[0]["value"]["amount"], rel=0.5
    )


def test_records_that_cannot_be_read_are_not_asked(run: Run, tmp_path: Path) -> None:
    (tmp_path / "records.sqlite").write_bytes(b"no store" * 200)
    file = tmp_path / "bench.json"
    file.write_text('{"machines": [{"id": "m1", "drive": "push"}]}', "utf-8")
    assert told(run, "price", str(file))[0]["value"]["currency"] == "USD"
