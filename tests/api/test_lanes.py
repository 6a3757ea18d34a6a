"""How much is worked on at once, and for how long: nobody waits for ever, and `/health` never waits."""

import asyncio
import threading
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from time import monotonic
from typing import Any, TypeVar

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.app import create_app
from api.bodies import StrictRoute
from api.lanes import Lane, TimeLimit
from api.problems import Refusal
from tests.fake_model import FakeModel
from valuer.advice.ports import FloatArray
from valuer.adviser import Adviser

T = TypeVar("T")


def alone(work: Coroutine[Any, Any, T]) -> T:
    """Run in a loop and a thread of its own: a browser of other tests may hold this one's."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result(60)


POST: dict[str, Any] = {
    "type": "http", "method": "POST", "path": "/", "raw_path": b"/", "query_string": b"", "headers": [],
    "scheme": "http", "server": ("127.0.0.1", 80), "client": None, "root_path": "", "http_version": "1.1",
}  # fmt: skip
ASK: dict[str, Any] = {"machines": [{"id": "m1"}], "terms": {"month": 5}}


class Gated(FakeModel):
    """A model that answers once the gate is opened, and counts who is inside."""

    def __init__(self) -> None:
        self.gate = threading.Event()
        self.inside = threading.Semaphore(0)

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        self.inside.release()
        assert self.gate.wait(20)
        return super().interval(rows, value)


@pytest.fixture
def model() -> Iterator[Gated]:
    """A model whose gate is open again at the end, whatever happened."""
    gated = Gated()
    yield gated
    gated.gate.set()


@pytest.fixture
def app(model: Gated) -> FastAPI:
    """A server that takes one heavy question at a time and lets one wait."""
    app = create_app(Adviser(model))
    app.state.lanes = {"heavy": Lane(1, 1, 20.0), "light": Lane(16, 256, 30.0)}
    return app


def test_beyond_the_queue_the_refusal_is_cheap_and_health_answers(app: FastAPI, model: Gated) -> None:
    with TestClient(app, "http://127.0.0.1") as client, ThreadPoolExecutor(2) as others:
        first = others.submit(client.post, "/v1/valuations", json=ASK)
        assert model.inside.acquire(timeout=20)
        second = others.submit(client.post, "/v1/valuations", json=ASK)
        while not app.state.lanes["heavy"].waiting:
            assert not second.done()
        began = monotonic()
        third = client.post("/v1/valuations", json=ASK)
        health = client.get("/health")
        took = monotonic() - began
        model.gate.set()
        assert (first.result(20).status_code, second.result(20).status_code) == (200, 200)
    assert third.status_code == 503
    assert third.headers["retry-after"] == "5"
    assert third.json()["detail"] == "too many questions at once; ask again in a few seconds"
    assert health.status_code == 200
    assert took < 5, "neither waited for the question that was being answered"


def test_others_are_answered_while_a_long_body_is_being_understood(
    app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    gate, understood = threading.Event(), StrictRoute._understood

    def slow(route: StrictRoute, body: bytes) -> Any:
        assert gate.wait(20)
        return understood(route, body)

    monkeypatch.setattr(StrictRoute, "_understood", slow)
    nonsense = {"machines": [{"id": "m1", "faults": ["blade_dul:slight"] * 500}]}
    with TestClient(app, "http://127.0.0.1") as client, ThreadPoolExecutor(1) as others:
        long = others.submit(client.post, "/v1/valuations", json=nonsense)
        while not app.state.lanes["heavy"].taken:
            assert not long.done()
        assert client.get("/health").status_code == 200
        assert not long.done()
        gate.set()
        assert long.result(60).status_code == 422


def test_nobody_waits_longer_than_the_patience_of_the_lane() -> None:
    async def wait() -> str:
        lane, done = Lane(1, 5, 0.05), asyncio.Event()
        first = asyncio.ensure_future(lane.through(done.wait()))
        await asyncio.sleep(0)
        with pytest.raises(Refusal) as refused:
            await lane.through(asyncio.sleep(0))
        assert refused.value.status == 503
        done.set()
        await first
        return await lane.through(asyncio.sleep(0, "its turn"))

    assert alone(wait()) == "its turn"


def test_a_place_is_given_back_whatever_happens_in_it() -> None:
    async def fail() -> None:
        raise ZeroDivisionError

    async def thrice() -> list[int]:
        lane, taken = Lane(1, 0, 1.0), []
        for _ in range(3):
            with suppress(ZeroDivisionError):
                await lane.through(fail())
            await asyncio.sleep(0)
            taken.append(lane.taken)
        return taken

    assert alone(thrice()) == [0, 0, 0]


def test_an_answer_that_takes_too_long_is_refused_and_keeps_its_place_until_done(
    model: Gated, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(TimeLimit.__init__, "__defaults__", (0.3,))
    app = create_app(Adviser(model))
    app.state.lanes = {"heavy": Lane(1, 0, 1.0), "light": Lane(1, 0, 1.0)}
    with TestClient(app, "http://127.0.0.1") as client:
        late = client.post("/v1/valuations", json=ASK)
        assert late.status_code == 503
        assert late.headers["content-type"] == "application/problem+json"
        assert late.headers["content-security-policy"]
        assert late.json()["detail"].startswith("no answer within")
        assert client.post("/v1/valuations", json=ASK).headers["retry-after"] == "5", "its thread still works"
        model.gate.set()
        until = monotonic() + 10
        while (again := client.post("/v1/valuations", json=ASK)).status_code == 503:
            assert monotonic() < until
        assert again.status_code == 200


def test_a_body_that_never_ends_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    async def drip() -> int:
        asked = FastAPI()
        statuses: list[int] = []

        @asked.post("/")
        async def read() -> None:
            await asyncio.sleep(60)

        async def receive() -> dict[str, Any]:
            await asyncio.sleep(60)
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            statuses.extend([message["status"]] if message["type"] == "http.response.start" else [])

        await TimeLimit(asked, 0.1)({**POST}, receive, send)
        return statuses[0]

    assert alone(drip()) == 503


def test_an_answer_that_has_begun_is_sent_to_its_end_however_long_it_takes() -> None:
    async def slow() -> list[Any]:
        sent: list[Any] = []

        async def answer(_scope: Any, _receive: Any, send: Any) -> None:
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await asyncio.sleep(0.3)
            await send({"type": "http.response.body", "body": b"all of it"})

        async def receive() -> dict[str, Any]:
            return {"type": "http.request"}

        async def send(message: Any) -> None:
            sent.append(message.get("status", message.get("body")))

        await TimeLimit(answer, 0.05)({**POST}, receive, send)
        return sent

    assert alone(slow()) == [200, b"all of it"]
