"""No more connections than there is room for, none that says nothing, and a fault that repeats itself said seldom."""

import asyncio
import json
import logging
import socket
from collections.abc import AsyncIterator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, asynccontextmanager
from typing import Any

import pytest
import uvicorn
from fastapi import FastAPI
from starlette.requests import ClientDisconnect

from api.app import create_app
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.cli import connections
from valuer.cli.connections import Bounded, Seldom


@asynccontextmanager
async def serving(app: Any) -> AsyncIterator[int]:
    """A server on a free port, in the loop of the test."""
    bound = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, http=Bounded, log_config=None, access_log=False))
    running = asyncio.ensure_future(server.serve([bound]))
    while not server.started:  # noqa: ASYNC110 - the server has no event to wait for
        await asyncio.sleep(0.01)
    yield bound.getsockname()[1]
    server.should_exit = True
    await running


def alone(work: Any) -> Any:
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result(60)


async def said(port: int, data: bytes) -> bytes:
    """All that comes back on a connection of its own."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        writer.write(data)
        return await reader.read()
    except ConnectionError:
        return b""
    finally:
        writer.close()


ASK = b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"


def test_beyond_the_limit_a_connection_is_hung_up_on_and_one_that_ends_makes_room(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(connections, "most_connections", lambda: 3)

    async def crowd() -> tuple[bytes, bytes]:
        async with serving(create_app(Adviser(FakeModel()))) as port:
            idle = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
            await asyncio.sleep(0.1)
            fourth = await said(port, ASK)
            for _, writer in idle:
                writer.close()
            await asyncio.sleep(0.1)
            return fourth, await said(port, ASK)

    fourth, later = alone(crowd())
    assert fourth == b""
    assert later.startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize("sent", [b"", b"GET / HTTP/1.1\r\nHo"])
def test_a_connection_that_says_nothing_whole_is_given_up(
    monkeypatch: pytest.MonkeyPatch, sent: bytes
) -> None:
    monkeypatch.setattr(Bounded, "silence_s", 0.2)

    async def silent() -> bytes:
        async with serving(create_app(Adviser(FakeModel()))) as port:
            return await asyncio.wait_for(said(port, sent), 20)

    assert alone(silent()) == b""


def test_the_limit_leaves_descriptors_for_the_records() -> None:
    assert 10 <= connections.most_connections() <= 500


@pytest.fixture
def lines() -> Iterator[list[logging.LogRecord]]:
    """What a log that says things seldom lets through."""
    through: list[logging.LogRecord] = []

    class Kept(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            through.append(record)

    log, handler = logging.getLogger("seldom"), Kept()
    handler.addFilter(Seldom())
    log.handlers, log.propagate = [handler], False
    yield through
    log.handlers = []


def test_the_same_words_are_said_once_a_minute(lines: list[logging.LogRecord]) -> None:
    for number in range(2_000):
        logging.getLogger("seldom").error("socket.accept() out of system resource\nsocket: %d", number)
    logging.getLogger("seldom").error("something else")
    assert [line.getMessage()[:14] for line in lines] == ["socket.accept(", "something else"]


def test_out_of_descriptors_the_log_stays_small(lines: list[logging.LogRecord]) -> None:
    """As asyncio meets it: every connection that cannot be taken is complained about."""
    log = logging.getLogger("seldom")
    with ExitStack() as taken:
        bound = taken.enter_context(socket.create_server(("127.0.0.1", 0)))
        for _ in range(1_000):
            error = OSError(24, "Too many open files")
            log.error("socket.accept() out of system resource\nsocket: %s", bound, exc_info=error)
    assert len(lines) == 1


def test_a_caller_who_goes_away_is_no_fault_of_ours(caplog: pytest.LogCaptureFixture) -> None:
    app: FastAPI = create_app(Adviser(FakeModel()))

    async def gone() -> None:
        messages = iter(
            [{"type": "http.request", "body": b"{", "more_body": True}, {"type": "http.disconnect"}]
        )

        async def receive() -> Any:
            return next(messages)

        async def send(message: Any) -> None:
            assert message["type"] in {"http.response.start", "http.response.body"}

        headers = [(b"host", b"127.0.0.1"), (b"content-type", b"application/json")]
        scope: dict[str, Any] = {
            "type": "http", "method": "POST", "path": "/v1/valuations", "raw_path": b"/v1/valuations",
            "query_string": b"", "headers": headers, "scheme": "http", "server": ("127.0.0.1", 80), "client": None,
            "root_path": "", "http_version": "1.1",
        }  # fmt: skip
        await app(scope, receive, send)

    with caplog.at_level(logging.INFO, "valuer.requests"):
        alone(gone())
    (record,) = [record for record in caplog.records if record.name == "valuer.requests"]
    line = json.loads(json.dumps(record.__dict__["line"]))
    assert record.levelno == logging.INFO
    assert "fault" not in line
    assert ClientDisconnect.__name__ not in str(line)
