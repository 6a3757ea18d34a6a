"""Does that look right? Slips of a comma or a year are asked back, on the command line and over HTTP (C2, C3)."""

from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from tests.cli.conftest import Run, run
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.clock import now, today
from valuer.intake.doubts import about_intake, about_sale, about_week, about_work
from valuer.records.store.store import open_store

__all__ = ["run"]
DAY = date(2026, 5, 3)


@pytest.mark.parametrize(
    ("price", "sold_as", "odd"),
    [(1500, "working", True), (1499, "working", False), (15, "working", True), (16, "working", False),
     (15, "scrap", False), (1500, "scrap", True)],
)  # fmt: skip
def test_ten_times_and_a_tenth_of_what_was_expected(price: float, sold_as: str, odd: bool) -> None:  # noqa: FBT001
    assert bool(about_sale(price, sold_as, 150, DAY, DAY)) == odd


def test_days_to_come_and_of_another_century() -> None:
    tomorrow, long_ago = DAY + timedelta(days=1), date(1999, 12, 31)
    ways: list[Callable[[date], tuple[str, ...]]] = [
        lambda day: about_week(day, DAY),
        lambda day: about_intake(day, DAY, None, None, None),
        lambda day: about_work(day, DAY, None, None, None),
        lambda day: about_sale(150, "working", 150, day, DAY),
    ]
    for about in ways:
        assert not about(DAY)
        assert "still to come" in about(tomorrow)[0]
        assert "another century" in about(long_ago)[0]


def test_hours_over_a_week_and_parts_above_a_new_machine() -> None:
    assert not about_work(DAY, DAY, 40, 300, 300)
    assert about_work(DAY, DAY, 41, 301, 300) == (
        "hours: 41 is more than a week of work",
        "parts: 301 is more than a comparable new machine costs (300)",
    )


@pytest.fixture(autouse=True)
def own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Records of each test's own."""
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "own.sqlite"))


def test_the_command_asks_back_and_writes_nothing_until_it_is_confirmed(run: Run) -> None:
    run("take", "push mower, 20 in, won't start", "--name", "m1")
    asked = run("sold", "m1", "11050")
    assert asked.code == 2
    assert asked.err.startswith("valuer: price: 11050, where ")
    assert "say --sure" in asked.err
    assert "m1" in run("records", "--bench").out
    assert run("sold", "m1", "11050", "--sure").code == 0


def test_a_take_in_tomorrow_is_asked_back(run: Run) -> None:
    tomorrow = (today() + timedelta(days=1)).isoformat()
    asked = run("take", "push mower, 20 in", "--name", "m1", "--on", tomorrow)
    assert asked.code == 2
    assert "is still to come" in asked.err


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    """The API over records of its own."""
    store = open_store(now(), str(tmp_path / "api.sqlite"))
    yield TestClient(create_app(Adviser(FakeModel()), store), "http://127.0.0.1")
    store.close()


def test_the_api_answers_409_with_what_to_confirm(client: TestClient) -> None:
    client.post("/v1/machines", json={"machine": {"id": "m1"}})
    sale = {"id": "m1", "price": 11050, "sold_on": "2150-01-01"}
    asked = client.post("/v1/sales", json=sale)
    assert asked.status_code == 409, asked.text
    assert [each["pointer"] for each in asked.json()["errors"]] == ["/price", "/sold_on"]
    assert "sure: true" in asked.json()["detail"]
    assert client.get("/v1/sales").json()["total"] == 0
    assert client.post("/v1/sales", json={**sale, "sure": True}).status_code == 201
