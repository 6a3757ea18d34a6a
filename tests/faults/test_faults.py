"""Faults of the world around a running server: it loses nothing it has acknowledged, and goes on answering."""

import resource
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.faults.kills import kill_again_and_again
from tests.faults.serving import Caller, House, Running
from tests.faults.writing import Ledger, found, writes_of

QUESTION = {"machines": [{"id": "m1", "age_years": 6}], "terms": {"month": 5}}


@pytest.fixture
def running(house: House) -> Iterator[Running]:
    """A server on empty records."""
    with house.serving() as server:
        yield server


@pytest.fixture
def caller(running: Running) -> Iterator[Caller]:
    """A connection to it."""
    with Caller(running.port) as asked:
        yield asked


def take(name: str) -> dict[str, object]:
    """A machine taken in."""
    return {"machine": {"id": name, "note": "x" * 400}, "taken_on": "2026-05-01"}


def test_a_server_killed_while_writing_loses_nothing_and_does_nothing_twice(house: House) -> None:
    """Four times here; the benchmark `load` does it fifty times."""
    came = kill_again_and_again(house, 4)
    assert (came.missing, came.twice, came.refused) == (0, 0, 0)
    assert came.acknowledged > 2 * came.kills
    assert came.sent_again > 0, "some posts were on their way when it died"


def test_a_full_disk_refuses_writes_in_words_and_answers_questions(running: Running, caller: Caller) -> None:
    """The system's limit on the size of a file gives the error of a full disk."""
    soft, hard = resource.prlimit(running.process.pid, resource.RLIMIT_FSIZE)
    told: set[str] = set()
    resource.prlimit(running.process.pid, resource.RLIMIT_FSIZE, (400_000, hard))
    answer = caller.ask("POST", "/v1/machines", take("m0"))
    while answer.status == 201 and len(told) < 2_000:
        told.add(answer.body["entry"]["machine"]["id"])
        answer = caller.ask("POST", "/v1/machines", take(f"m{len(told)}"))
    assert told
    assert answer.status == 503
    assert "the disk takes no more; nothing was changed" in answer.body["detail"]
    assert caller.ask("POST", "/v1/valuations", QUESTION).status == 200
    resource.prlimit(running.process.pid, resource.RLIMIT_FSIZE, (soft, hard))
    assert caller.ask("POST", "/v1/machines", take("after")).status == 201
    assert {key.removeprefix("take ") for key in found(running.port).done} == told | {"after"}


WITH_ANOTHER_CLOCK = """
import os, sys
from datetime import timedelta
from pathlib import Path
import valuer.clock as clock
told, right = Path(os.environ["DAYS_OFF"]), clock.now
clock.now = lambda: right() + timedelta(days=int(told.read_text()))
from valuer.cli import main
main(sys.argv[1:])
"""


def test_a_clock_set_back_or_ahead_stops_nothing(house: House) -> None:
    told = house.folder / "days-off"
    told.write_text("0")
    house = replace(house, more={"DAYS_OFF": str(told)}, program=("-c", WITH_ANOTHER_CLOCK))
    with house.serving() as running, Caller(running.port) as caller:
        assert caller.ask("POST", "/v1/machines", {"machine": {"id": "right"}}).status == 201
        for days in (-400, 400):
            told.write_text(str(days))
            taken = caller.ask(
                "POST", "/v1/machines", {"machine": {"id": f"at{days}"}}, Idempotency_Key=f"k{days}"
            )
            assert taken.status == 201
            wanted = date.today() + timedelta(days=days)  # noqa: DTZ011 - days on the user's own calendar
            assert abs(date.fromisoformat(taken.body["entry"]["taken_on"]) - wanted) <= timedelta(days=1)
            for path in ("/v1/correction", "/v1/accuracy", "/v1/sales", "/health"):
                assert caller.ask("GET", path).status == 200, path
            assert caller.ask("POST", "/v1/valuations", QUESTION).status == 200
        told.write_text("-400")  # sold before it was taken in, by the clock
        sold = caller.ask("POST", "/v1/sales", {"id": "right", "price": 160})
        assert sold.status in (409, 422)
        assert "taken" in str(sold.body)
        told.write_text("0")
        assert caller.ask("POST", "/v1/sales", {"id": "right", "price": 160}).status == 201
        assert found(running.port).done == {"take right", "take at-400", "take at400"}


def test_two_servers_on_one_store_lose_nothing_and_do_nothing_twice(house: House, running: Running) -> None:
    """Both write at once, and both are sent every post under the same key."""
    with replace(house, folder=_beside(house)).serving() as other:
        ledger = Ledger()

        def work(port: int, numbers: range) -> None:
            with Caller(port) as caller:
                for number in numbers:
                    for write in writes_of(f"m{number}"):
                        ledger.send(caller, write)

        threads = [
            threading.Thread(target=work, args=(port, range(first, 24, 2)))
            for port in (running.port, other.port)
            for first in (0, 1)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=120)
        assert not ledger.refused
        assert not ledger.in_doubt
        assert len(ledger.acknowledged) == 48
        for port in (running.port, other.port):
            there = found(port)
            assert (there.done, there.twice) == (ledger.acknowledged, set())


def test_of_two_servers_the_slower_change_is_refused(house: House, running: Running, caller: Caller) -> None:
    with replace(house, folder=_beside(house)).serving() as other, Caller(other.port) as second:
        etag = caller.ask("POST", "/v1/machines", take("m1")).headers["etag"]
        changed = {"id": "m1", "age_years": 4}
        assert second.ask("PUT", "/v1/machines/m1", changed, If_Match=etag).status == 200
        late = caller.ask("PUT", "/v1/machines/m1", {"id": "m1", "age_years": 9}, If_Match=etag)
        assert late.status == 412
        assert caller.ask("GET", "/v1/machines/m1").body["entry"]["machine"]["age_years"] == 4


def _beside(house: House) -> Path:
    """A folder of the second server's own, whose records are the first one's."""
    folder = house.folder / "second"
    folder.mkdir()
    (folder / "records.sqlite").symlink_to(house.store)
    return folder
