"""The framework alone, giving back the body it was given: what a valuation may be compared with."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from tests.faults.crowd import BENCH, TERMS
from tests.faults.serving import ROOT, Caller

ECHO = """
import socket
from typing import Any
import uvicorn
from fastapi import FastAPI
app = FastAPI()

@app.post("/v1/valuations")
def echo(body: dict[str, Any]) -> dict[str, Any]:
    return body

bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
bound.bind(("127.0.0.1", 0))
print(bound.getsockname()[1], flush=True)
uvicorn.Server(uvicorn.Config(app, log_level="critical", access_log=False)).run(sockets=[bound])
"""
SECONDS = 5.0


@contextmanager
def serving_echo() -> Iterator[int]:
    """The port of a server that only echoes."""
    with subprocess.Popen(
        [sys.executable, "-c", ECHO], cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout
        yield int(process.stdout.readline())
        process.terminate()


def pace(port: int) -> float:
    """Questions about one machine answered a second, one after the other, over five seconds after one to warm up."""
    question = {"machines": BENCH[:1], "terms": TERMS}
    with Caller(port) as caller:
        until = time.monotonic() + SECONDS / 5
        while time.monotonic() < until:
            caller.ask("POST", "/v1/valuations", question)
        began, count = time.monotonic(), 0
        while time.monotonic() < began + SECONDS:
            assert caller.ask("POST", "/v1/valuations", question).status == 200
            count += 1
        return count / (time.monotonic() - began)
