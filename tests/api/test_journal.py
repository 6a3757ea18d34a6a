"""The journal: one line for each request, a name that both sides know it by, and nobody's data in it."""

import json
import logging
import re
from itertools import count
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.door import Door, token_sha256
from api.headers import HEADERS
from api.journal import FRAMES, AsJson
from tests.fake_model import FakeModel
from tests.records.bench import NOW
from valuer.advice.ports import FloatArray
from valuer.adviser import Adviser
from valuer.records.store.store import Store, open_store

PRIVATE = "late-november"  # the id of a machine: somebody's data


class Broken(FakeModel):
    """A model with a fault of ours in it, whose words hold somebody's data."""

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        raise ZeroDivisionError(PRIVATE)


@pytest.fixture
def store(tmp_path: Any) -> Any:
    """An empty store."""
    opened = open_store(NOW, str(tmp_path / "records.sqlite"))
    yield opened
    opened.close()


def lines(caplog: pytest.LogCaptureFixture) -> list[dict[str, Any]]:
    """The lines of the journal as they would be written."""
    return [json.loads(AsJson().format(each)) for each in caplog.records if each.name == "valuer.requests"]


def test_a_line_says_what_was_asked_and_how_it_went(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "valuer.requests")
    client = TestClient(create_app(Adviser(FakeModel()), store), "http://127.0.0.1")
    body = {"machine": {"id": PRIVATE, "note": "from Upper Street"}}
    answers = [client.post("/v1/machines", json=body), client.get(f"/v1/machines/{PRIVATE}?{PRIVATE}")]
    answers.append(client.get(f"/v1/{PRIVATE}"))
    written = lines(caplog)
    assert [(each["method"], each["route"], each["status"]) for each in written] == [
        ("POST", "/v1/machines", 201),
        ("GET", "/v1/machines/{machine_id}", 200),
        ("GET", None, 404),
    ]
    assert [each["request"] for each in written] == [each.headers["x-request-id"] for each in answers]
    assert all(0 <= each["ms"] < 60_000 for each in written)
    assert all(
        set(each) == {"time", "level", "request", "method", "route", "status", "ms"} for each in written
    )
    assert PRIVATE not in json.dumps(written)
    assert "Upper Street" not in json.dumps(written)


def test_refusals_at_the_door_have_their_line_and_no_token(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "valuer.requests")
    door = Door(token_sha256=token_sha256("right"))
    client = TestClient(create_app(Adviser(FakeModel()), door=door), "http://127.0.0.1")
    client.get("/v1/catalogue", headers={"Authorization": "Bearer guessed-token"})
    client.post("/v1/entrance", json={"token": "guessed-token"})
    client.get("/health", headers={"Host": "elsewhere.example"})
    written = lines(caplog)
    assert [each["status"] for each in written] == [401, 401, 421]
    assert "guessed-token" not in json.dumps(written)
    assert "elsewhere" not in json.dumps(written)


def test_a_fault_of_ours_is_answered_in_full_dress_and_placed_in_the_log(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("VALUER_DEBUG", raising=False)
    client = TestClient(create_app(Adviser(Broken())), "http://127.0.0.1")
    answer = client.post("/v1/valuations", json={"machines": [{"id": PRIVATE}]})
    assert answer.status_code == 500
    assert {name: answer.headers.get(name) for name in HEADERS} == HEADERS
    (line,) = lines(caplog)
    assert (line["level"], line["fault"]) == ("error", "ZeroDivisionError")
    assert line["request"] == answer.headers["x-request-id"] == answer.json()["request_id"]
    assert line["at"][-1].endswith(" interval")
    assert len(line["at"]) == FRAMES
    assert PRIVATE not in json.dumps(line)
    assert PRIVATE not in answer.text


def test_a_callers_own_name_for_a_request_is_kept_if_it_is_short_and_plain() -> None:
    client = TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1")

    def named(name: str) -> str:
        return str(client.get("/health", headers={"X-Request-Id": name}).headers["x-request-id"])

    assert named("page-7.a_B") == "page-7.a_B"
    for name in ("x" * 65, "two words", "a\tb", '{"level":"error"}', "<b>", ""):
        assert re.fullmatch("[0-9a-f]{16}", named(name)), name
    assert named("") != named("")


def test_other_words_of_the_server_are_json_too() -> None:
    record = logging.LogRecord("uvicorn.error", logging.WARNING, "", 0, "Invalid %s\n", ("request",), None)
    line = json.loads(AsJson().format(record))
    assert (line["level"], line["says"]) == ("warning", "Invalid request\n")
    assert "\n" not in AsJson().format(record)


def test_a_line_is_plain_ascii_whatever_is_said() -> None:
    record = logging.LogRecord("uvicorn.error", logging.WARNING, "", 0, "M\u00e4her \u2028", (), None)
    assert AsJson().format(record).isascii()


def test_how_long_it_took_is_said_to_a_tenth_of_a_millisecond(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a clock that goes on by 12.3456 ms whenever it is read: once before, once after."""
    caplog.set_level(logging.INFO, "valuer.requests")
    reads = count()
    monkeypatch.setattr("api.journal.perf_counter", lambda: next(reads) * 0.0123456)
    TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1").get("/health")
    assert [line["ms"] for line in lines(caplog)] == [12.3]
