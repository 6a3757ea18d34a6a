"""The real `valuer serve` as a process of its own, that can be killed, and callers that keep count of what it said."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, Self

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 90.0  # seconds until a server that starts must have said where it is; training included


class Answer(NamedTuple):
    """What came back: status, headers in lower case, body as JSON where it is JSON."""

    status: int
    headers: Mapping[str, str]
    body: Any


class Caller:
    """One connection that is kept open, and opened again where it broke."""

    def __init__(self, port: int) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE)

    def ask(self, method: str, path: str, body: object = None, **headers: str) -> Answer:
        """One request; raises OSError or HTTPException where the server went away."""
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        data = body if isinstance(body, bytes | None) else json.dumps(body).encode()
        if data is not None:
            sent.setdefault("Content-Type", "application/json")
        try:
            self._connection.request(method, path, data, sent)
            answer = self._connection.getresponse()
            text = answer.read()
        except (OSError, http.client.HTTPException):
            self._connection.close()
            raise
        known = {name.lower(): value for name, value in answer.getheaders()}
        is_json = "json" in known.get("content-type", "")
        return Answer(answer.status, known, json.loads(text) if is_json and text else text)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Let go of the connection."""
        self._connection.close()


@dataclass
class Running:
    """A server process: its address, and where it writes what it has to say."""

    process: subprocess.Popen[bytes]
    port: int
    log: Path

    def memory(self) -> int:
        """Resident memory in kB, as Linux counts it."""
        status = Path(f"/proc/{self.process.pid}/status").read_text("utf-8")
        found = re.search(r"VmRSS:\s+(\d+) kB", status)
        assert found, status
        return int(found[1])

    def kill(self) -> None:
        """End it with no chance to tidy up."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self) -> None:
        """End it as Ctrl-C does."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                self.kill()


@dataclass(frozen=True)
class House:
    """Where a server keeps things: its records, the user's cache and data folders."""

    folder: Path
    cache: Path
    data: Path
    more: Mapping[str, str] = field(default_factory=dict)
    program: tuple[str, ...] = ("-m", "valuer")

    @property
    def store(self) -> Path:
        """The records."""
        return self.folder / "records.sqlite"

    def start(self) -> Running:
        """Start the server and wait until it says where it is."""
        log = self.folder / f"server-{time.monotonic_ns()}.log"
        command = [sys.executable, *self.program, "serve", "--port", "0", "--store", str(self.store)]
        surroundings = {
            **os.environ, "XDG_CACHE_HOME": str(self.cache), "XDG_DATA_HOME": str(self.data), **self.more
        }  # fmt: skip
        with log.open("wb") as said:
            process = subprocess.Popen(command, cwd=ROOT, env=surroundings, stdout=said, stderr=said)
        return Running(process, _port(process, log), log)

    @contextmanager
    def serving(self) -> Iterator[Running]:
        """A server for as long as it is needed."""
        running = self.start()
        try:
            yield running
        finally:
            running.stop()


def _port(process: subprocess.Popen[bytes], log: Path) -> int:
    """The port it says it listens on."""
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        found = re.search(rb"http://127\.0\.0\.1:(\d+)/", log.read_bytes())
        if found and _answers(int(found[1])):
            return int(found[1])
        if process.poll() is not None:
            break
        time.sleep(0.02)
    process.kill()
    raise AssertionError(log.read_text("utf-8", "replace"))


def _answers(port: int) -> bool:
    with Caller(port) as caller:
        try:
            return caller.ask("GET", "/health").status in (200, 503)
        except OSError:
            return False
