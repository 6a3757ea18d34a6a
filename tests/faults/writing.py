"""Writers that remember what was acknowledged, send again what was not, and at the end ask what is there."""

from __future__ import annotations

import http.client
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from tests.faults.serving import Caller

FIX = {"fix": "blade_sharpen", "fault": "blade_dull", "cured": False, "hours": 0.4}


class Write(NamedTuple):
    """One post, and the key under which it is done once."""

    path: str
    body: dict[str, object]
    key: str


def writes_of(name: str) -> tuple[Write, Write]:
    """Two posts about a machine of its own: it is taken in, and a fix is tried. The second must not happen twice."""
    machine = {"id": name, "faults": ["blade_dull:slight"], "drive": "push"}
    return (
        Write("/v1/machines", {"machine": machine, "taken_on": "2026-05-01", "paid": 25}, f"take {name}"),
        Write(f"/v1/machines/{name}/fixes", FIX, f"fix {name}"),
    )


@dataclass
class Ledger:
    """What the writers were told, over all lives of the server."""

    acknowledged: set[str] = field(default_factory=set)
    in_doubt: list[Write] = field(default_factory=list)
    refused: list[tuple[int, str]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def send(self, caller: Caller, write: Write) -> None:
        """Send one post and note how it ended; raises where the server went away, the post then is in doubt."""
        try:
            answer = caller.ask("POST", write.path, write.body, Idempotency_Key=write.key)
        except (OSError, http.client.HTTPException):
            with self.lock:
                self.in_doubt.append(write)
            raise
        with self.lock:
            if answer.status == 201:
                self.acknowledged.add(write.key)
            else:
                self.refused.append((answer.status, write.key))

    def send_again(self, caller: Caller) -> int:
        """Send again, under the same keys, whatever nobody knows of; how many that were."""
        waiting, self.in_doubt = self.in_doubt, []
        for write in sorted(waiting, key=lambda each: each.path.endswith("/fixes")):
            self.send(caller, write)
        return len(waiting)


def write_until_gone(port: int, ledger: Ledger, prefix: str, writers: int = 4) -> list[threading.Thread]:
    """Start writers that go on until the server is gone."""

    def work(number: int) -> None:
        with Caller(port) as caller, suppress(OSError, http.client.HTTPException):
            for turn in range(1_000_000):
                for write in writes_of(f"{prefix}-{number}-{turn}"):
                    ledger.send(caller, write)

    threads = [threading.Thread(target=work, args=(number,), daemon=True) for number in range(writers)]
    for thread in threads:
        thread.start()
    return threads


class Found(NamedTuple):
    """What is on record: the keys of all that was done, and those done more than once."""

    done: set[str]
    twice: set[str]


def found(port: int) -> Found:
    """Read everything back, page by page."""
    done: set[str] = set()
    twice: set[str] = set()
    with Caller(port) as caller:
        for each in _all_entries(caller):
            name, fixes = each["machine"]["id"], each["fixes"]
            if f"take {name}" in done or len(fixes) > 1:
                twice.add(name)
            done |= {f"take {name}", f"fix {name}"} if fixes else {f"take {name}"}
    return Found(done, twice)


def _all_entries(caller: Caller) -> Iterator[dict[str, Any]]:
    offset, total = 0, 1
    while offset < total:
        page = caller.ask("GET", f"/v1/machines?limit=200&offset={offset}").body
        yield from (each["entry"] for each in page["entries"])
        offset, total = offset + 200, page["total"]
