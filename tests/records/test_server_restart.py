"""A shared store whose server is restarted while somebody writes: nothing acknowledged is lost or doubled."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import pytest

from tests.records.bench import NOW, full_entry
from tests.records.conftest import Server, emptied
from valuer.records.store.problems import Conflict, StoreProblem
from valuer.records.store.store import Store, open_store

SAID = ("its server does not answer", "its server went away; try again")
"""What a user can act on; the database's own words would not help."""


@dataclass
class Writer:
    """Takes machines in without a pause; what is refused is tried again under the same id until it is there."""

    store: Store
    stop: threading.Event = field(default_factory=threading.Event)
    acknowledged: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    broken: list[BaseException] = field(default_factory=list)

    def write(self) -> None:
        """Until told to stop; anything but a plain refusal ends it and is kept."""
        try:
            number = 0
            while not self.stop.is_set():
                self.one(f"m{number}")
                number += 1
        except BaseException as error:  # noqa: BLE001 - the test looks at it
            self.broken.append(error)

    def one(self, name: str) -> None:
        """One machine, however often it takes."""
        while True:
            try:
                self.store.take(full_entry(name), NOW)
            except Conflict:  # written before, but the answer was lost with the connection
                assert self.refused, "a first try finds no machine of that id"
            except StoreProblem as problem:
                self.refused.append(str(problem))
                time.sleep(0.02)
                continue
            self.acknowledged.append(name)
            return

    def wait_for(self, more: int) -> None:
        """Until so many more are acknowledged; fails after a minute."""
        wanted, end = len(self.acknowledged) + more, time.monotonic() + 60
        while len(self.acknowledged) < wanted:
            assert time.monotonic() < end, (self.broken, self.refused[-1:])
            assert not self.broken, self.broken
            time.sleep(0.01)


@contextmanager
def writing(store: Store) -> Iterator[Writer]:
    """A writer at work beside the test."""
    writer = Writer(store)
    thread = threading.Thread(target=writer.write)
    thread.start()
    try:
        yield writer
    finally:
        writer.stop.set()
        thread.join(timeout=60)
    assert not thread.is_alive()


@pytest.mark.server
@pytest.mark.parametrize("mode", ["immediate", "fast"])
def test_a_server_restarted_under_load_loses_no_acknowledged_write(server: Server, mode: str) -> None:
    """Immediate is a crash, fast hangs up on those who write; either way the same process goes on afterwards."""
    store = open_store(NOW, emptied(server))
    try:
        with writing(store) as writer:
            for _ in range(3):
                writer.wait_for(5)
                server.stop(mode)
                before = len(writer.refused)
                while len(writer.refused) == before:  # a write has met the closed door
                    time.sleep(0.01)
                server.start()
            writer.wait_for(5)
        kept = [each.entry for each in store.entries()]
    finally:
        store.close()
    assert writer.broken == []
    assert sorted(entry.id for entry in kept) == sorted(writer.acknowledged)
    assert len(set(writer.acknowledged)) == len(writer.acknowledged)
    assert all(entry == full_entry(entry.id) for entry in kept), "whole entries only"
    assert len(writer.refused) >= 3
    for words in writer.refused:
        assert "\n" not in words
        assert words.endswith(SAID), words
