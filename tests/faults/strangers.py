"""Requests that no honest caller sends, to the real server: each kind is refused, and nothing changes."""

from __future__ import annotations

import threading
from collections import Counter

from starlette.testclient import TestClient

from api.app import create_app
from api.door import Door, token_sha256
from tests.fake_model import FakeModel
from tests.faults.crowd import BENCH
from tests.faults.serving import Caller, Running
from tests.faults.writing import found
from valuer.adviser import Adviser

TAKE = {"machine": {"id": "planted"}, "taken_on": "2026-05-01"}
MACHINES = "/v1/machines"


def refused_strangers(running: Running) -> tuple[Counter[int], int, int]:
    """Statuses with which they were refused, how many kinds there were, and how many strangers were let in."""
    kinds = [*_hostile(running.port), *_without_token()]
    statuses = Counter(kinds)
    statuses[503] += _rush(running.port)
    let_in = sum(count for status, count in statuses.items() if status < 400)
    return statuses, len(kinds) + 1, let_in + len(found(running.port).done)


def _hostile(port: int) -> list[int]:
    """One status for each kind."""
    near, names = ["blade_dul:slight"] * 90_000, {f"n{number}": 0 for number in range(100_000)}
    with Caller(port) as caller:
        kinds = [
            caller.ask("GET", MACHINES, Host="elsewhere.example"),  # a name pointed at this computer
            caller.ask("POST", MACHINES, TAKE, Host="elsewhere.example"),
            caller.ask("GET", MACHINES, Host="[2001:db8::1]"),
            caller.ask("POST", MACHINES, TAKE, Origin="http://elsewhere.example"),
            caller.ask("POST", MACHINES, TAKE, Origin="null"),
            caller.ask("POST", MACHINES, TAKE, Sec_Fetch_Site="cross-site"),
            caller.ask(
                "POST", MACHINES, b"machine=planted", Content_Type="application/x-www-form-urlencoded"
            ),
            caller.ask("POST", MACHINES, b"{}", Content_Type="text/plain"),
            caller.ask("POST", MACHINES, b'{"machine": ', Content_Type="application/json"),
            caller.ask("POST", MACHINES, b"[" * 100_000),
            caller.ask("POST", MACHINES, {"machine": {"id": "../../planted"}}),
            caller.ask("POST", MACHINES, {"machine": {"id": "<script>"}}),
            caller.ask("POST", "/v1/valuations", {"machines": [{"id": f"m{n}"} for n in range(1001)]}),
            caller.ask("POST", "/v1/valuations", {"machines": [{"id": "m1", "faults": near}]}),
            caller.ask("POST", "/v1/valuations", {"machines": [{"id": "m1", "checks": names}]}),
            caller.ask("POST", "/v1/valuations", {"machines": [{"id": "m1", **names}]}),
            caller.ask("POST", "/v1/entrance", {"token": "x" * 150_000}),
            caller.ask("GET", "/page/../../../../etc/passwd"),
            caller.ask("GET", "/page/%2e%2e/%2e%2e/app.py"),
            caller.ask("TRACE", MACHINES),
            caller.ask("PUT", f"{MACHINES}/planted", {"id": "planted"}),
            caller.ask("DELETE", f"{MACHINES}/planted", If_Match="*"),
        ]
    return [answer.status for answer in kinds] + [_too_large(port)]


def _too_large(port: int) -> int:
    """A body announced as larger than anything honest; refused before it is read."""
    with Caller(port) as caller:
        try:
            return caller.ask("POST", MACHINES, b" " * 2_100_000).status
        except OSError:  # refused and hung up while it was still being sent
            return 413


def _rush(port: int, at_once: int = 150) -> int:
    """How many of a rush of heavy questions are refused cheaply instead of piling up."""
    statuses: Counter[int] = Counter()
    question = {"machines": [{**BENCH[n % 10], "id": f"m{n}"} for n in range(40)], "terms": {"month": 5}}

    def ask() -> None:
        with Caller(port) as caller:
            statuses[caller.ask("POST", "/v1/work-lists", question).status] += 1

    threads = [threading.Thread(target=ask, daemon=True) for _ in range(at_once)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=120)
    return statuses[503]


def _without_token() -> list[int]:
    """With which statuses those who bring no token, or a wrong one, are turned away where one is asked for."""
    door = Door(token_sha256=token_sha256("right"))
    client = TestClient(create_app(Adviser(FakeModel()), None, door), "http://127.0.0.1")
    wrong = [
        {},
        {"Authorization": "Bearer wrong"},
        {"Authorization": "Basic right"},
        {"Cookie": "valuer_device=wrong"},
    ]
    answers = [
        client.post("/v1/valuations", json={"machines": [{"id": "m1"}]}, headers=each) for each in wrong
    ]
    return [answer.status_code for answer in answers]
