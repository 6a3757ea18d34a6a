"""Many callers at once who price, plan and write as fast as they are answered, and a watch on the server's memory."""

from __future__ import annotations

import http.client
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from statistics import median, quantiles

from tests.faults.serving import Answer, Caller, Running
from tests.faults.writing import found
from valuer.demo import demo_bench

BENCH = [
    machine.model_dump(mode="json", exclude_none=True, exclude_defaults=True) for machine in demo_bench()[1]
]
TERMS = {"month": 5, "hours": 10}
BUSY = 503


@dataclass
class Crowd:
    """What fifty people saw: times in seconds by kind, refusals, errors, writes, and how the memory grew."""

    times: dict[str, list[float]] = field(default_factory=dict)
    wrong: Counter[int] = field(default_factory=Counter)
    busy: int = 0
    keys: set[str] = field(default_factory=set)
    found: int = 0
    growth: float = 0.0
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def answered(self) -> int:
        """Requests that got what they asked for."""
        return sum(map(len, self.times.values()))

    @property
    def errors(self) -> int:
        """Answers that were neither what was asked for nor a cheap refusal."""
        return sum(self.wrong.values())

    @property
    def acknowledged(self) -> int:
        """Writes that were acknowledged."""
        return len(self.keys)

    def ratio(self) -> float:
        """99th percentile of all times over their median."""
        return _p99(every := [t for times in self.times.values() for t in times]) / median(every)

    def told(self, kind: str) -> str:
        """Count, median and 99th percentile of one kind."""
        times = self.times[kind]
        return f"{len(times)}, {median(times) * 1000:.0f}, {_p99(times) * 1000:.0f}"

    def note(self, kind: str, answer: Answer, seconds: float, key: str | None) -> None:
        """Write down one answer."""
        with self.lock:
            if answer.status == BUSY and "retry-after" in answer.headers:
                self.busy += 1
            elif answer.status in (200, 201):
                self.times.setdefault(kind, []).append(seconds)
                if key:
                    self.keys.add(key)
            else:
                self.wrong[answer.status] += 1


def _p99(times: list[float]) -> float:
    return quantiles(times, n=100)[98]


def crowd(running: Running, callers: int, seconds: float) -> Crowd:
    """Let so many callers ask for so long; nobody waits between an answer and the next question."""
    seen, until = Crowd(), time.monotonic() + seconds
    threads = [
        threading.Thread(target=_one, args=(running.port, number, until, seen), daemon=True)
        for number in range(callers)
    ]
    for thread in threads:
        thread.start()
    time.sleep(seconds / 4)
    early = running.memory()
    for thread in threads:
        thread.join(timeout=seconds * 2)
    seen.growth = 100 * (running.memory() / early - 1)
    there = found(running.port)
    seen.found = len(seen.keys & there.done) - len(there.twice)
    return seen


def _one(port: int, number: int, until: float, seen: Crowd) -> None:
    """One caller: five valuations, two plans, two writes and a look at the records, and again."""
    with Caller(port) as caller:
        for turn in range(1_000_000):
            for kind, ask, key in _round(caller, f"c{number}-{turn}", number + turn):
                if time.monotonic() > until:
                    return
                began = time.perf_counter()
                try:
                    answer = ask()
                except (OSError, http.client.HTTPException):
                    answer = Answer(0, {}, None)
                seen.note(kind, answer, time.perf_counter() - began, key)


Step = tuple[str, Callable[[], Answer], str | None]


def _round(caller: Caller, name: str, turn: int) -> list[Step]:
    machine = BENCH[turn % len(BENCH)]
    question = {"machines": [machine], "terms": TERMS}
    few = {"machines": BENCH[:3], "terms": TERMS}
    taken = {"machine": {**machine, "id": name}, "taken_on": "2026-05-01"}
    week = {"week_of": "2026-05-05", "ask": 180}

    def post(path: str, body: object, key: str = "") -> Callable[[], Answer]:
        sent = {"Idempotency_Key": key} if key else {}
        return lambda: caller.ask("POST", path, body, **sent)

    def put_week() -> Answer:
        return caller.ask("PUT", f"/v1/machines/{name}/weeks", week, If_Match='"1"')

    value: Step = ("pricing", post("/v1/valuations", question), None)
    return [
        value, ("writing", post("/v1/machines", taken, f"take {name}"), f"take {name}"), value,
        ("planning", post("/v1/work-lists", question), None), value, ("writing", put_week, None), value,
        ("planning", post("/v1/bench-rankings", few), None), value,
        ("reading", lambda: caller.ask("GET", "/v1/machines?limit=20"), None),
    ]  # fmt: skip
