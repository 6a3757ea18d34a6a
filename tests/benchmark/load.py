"""What the real server stands: any request, kills, fifty callers at once, and strangers.

Takes some ten minutes on two cores. Every part counts: what was tried, what was acknowledged and found again, what was
refused and as what. The table in the contributor guide is made of these figures.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.benchmark.figures import Figure, at_least, at_most, beside, kept, merged
from tests.benchmark.table import write_table
from tests.faults.crowd import Crowd, crowd
from tests.faults.echo import pace, serving_echo
from tests.faults.hostile import hostile_bodies, hostile_files
from tests.faults.kills import kill_again_and_again
from tests.faults.serving import House
from tests.faults.strangers import refused_strangers
from tests.records.full_disk import failing_once
from valuer.paths import cache_folder, data_folder

KILLS = 50
CALLERS, SECONDS = 50, 60.0
ROOT = Path(__file__).resolve().parents[2]


def run(seed: int = 7, only: str = "", bombs: int = 3_000) -> Iterator[Figure]:
    """All figures, and the table in the contributor guide; ``only`` one part of them, the others as they stood."""
    parts = {
        "inputs": _inputs,
        "hostile": lambda: _hostile(seed, bombs),
        "files": lambda: _files(seed, max(2, bombs // 50)),
        "kills": lambda: _kills(seed),
        "disk": _disk,
        "load": _load,
        "pace": _pace,
        "strangers": _strangers,
    }
    figures = []
    for name, part in parts.items():
        for figure in part() if only in ("", name) else ():
            figures.append(figure)
            yield figure
    rows = [figure.line().split(" | ") for figure in figures]
    write_table(merged(kept("load_figures"), rows) if only else rows)


def _hostile(seed: int, bombs: int) -> Iterator[Figure]:
    """Bodies of 2 MB by a generator, six at a time."""
    with _house() as house, house.serving() as running:
        came = hostile_bodies(running, seed, bombs)
    sent = sum(came.statuses.values())
    yield beside("hostile bodies of 2 MB, six at a time; their answers", f"{sent}; {_counts(came.statuses)}")
    yield at_most(
        "answers to them that are a fault of ours, or none", _of(came.statuses, 500) + came.statuses[0], 0, 0
    )
    yield at_most("of them sent where nothing answers, which tries nothing", came.statuses[404], 0, 0)
    yield at_most("memory over rest at the peak, MB", came.memory_mb, 300, 0)
    yield at_most(
        "longest refusal / a plain valuation among them, times", came.longest_s / came.plain_s, 20, 1
    )
    yield beside("the longest", f"{came.longest_s:.2f} s, {came.longest}; a plain one {came.plain_s:.3f} s")


def _files(seed: int, count: int) -> Iterator[Figure]:
    """Files of 25 MB by the generator."""
    files, memory_mb = hostile_files(seed, count)
    yield beside("hostile files of 25 MB", f"{files}")
    yield at_most("memory over rest at the peak while a file is refused, MB", memory_mb, 300, 0)


def _inputs() -> Iterator[Figure]:
    """Every limit of every field of every route, as schemathesis makes them from the API's own description."""
    with tempfile.TemporaryDirectory() as folder:
        counted = Path(folder) / "counted.json"
        surroundings = {**os.environ, "VALUER_COUNTED_INPUTS": str(counted), "CI": "true"}
        command = [sys.executable, "-m", "pytest", "-q", "tests/api/test_any_request.py", "--tb=line"]
        ran = subprocess.run(command, cwd=ROOT, env=surroundings, stdout=subprocess.DEVNULL, check=False)
        statuses = {int(status): count for status, count in json.loads(counted.read_text("utf-8")).items()}
    yield beside("inputs tried (any request made from the description)", f"{sum(statuses.values())}")
    yield beside("their answers by status", _counts(statuses))
    yield at_most("answers that are a fault of ours", _of(statuses, 500), 0, 0)
    yield at_most("checks that failed (1 = some)", float(ran.returncode != 0), 0, 0)


def _kills(seed: int) -> Iterator[Figure]:
    with _house() as house:
        came = kill_again_and_again(house, KILLS, seed)
    yield beside("faults injected: kill -9 of the server under four writers", f"{came.kills}")
    yield beside(
        "writes acknowledged, of them sent again under their key", f"{came.acknowledged}, {came.sent_again}"
    )
    yield at_most("writes acknowledged and not found", came.missing, 0, 0)
    yield at_most("writes done twice", came.twice, 0, 0)


def _disk() -> Iterator[Figure]:
    """Every write of everything that writes records fails once."""
    with tempfile.TemporaryDirectory() as folder:
        came = failing_once(Path(folder))
    told = ", ".join(f"{name} {writes}" for name, (writes, _, _) in came.items())
    yield beside("writes that failed once for want of room", told)
    yield beside("of them refused in words", f"{sum(refused for _, refused, _ in came.values())}")
    wrong = [f"{name}: {each}" for name, (_, _, found) in came.items() for each in found]
    yield at_most("after them lost, doubled, half done or not to be done again", len(wrong), 0, 0)


def _load() -> Iterator[Figure]:
    with _house() as house, house.serving() as running:
        came: Crowd = crowd(running, CALLERS, SECONDS)
    yield beside("callers at once, requests answered a second", f"{CALLERS}, {came.answered / SECONDS:.0f}")
    for kind in sorted(came.times):
        yield beside(f"{kind}: requests, median and 99th percentile in ms", came.told(kind))
    yield at_most("99th percentile / median of all", came.ratio(), 5, 2)
    yield at_most("answers that were errors", came.errors, 0, 0)
    yield beside("refused cheaply for want of room (503, Retry-After)", f"{came.busy}")
    yield beside("writes acknowledged and found", f"{came.acknowledged}, {came.found}")
    yield at_most("writes acknowledged and not found, under load", came.acknowledged - came.found, 0, 0)
    yield at_most("growth of memory from the first quarter to the end, %", came.growth, 8, 1)


def _pace() -> Iterator[Figure]:
    with _house() as house, house.serving() as running, serving_echo() as port:
        ours, bare = pace(running.port), pace(port)
    yield beside(
        "one valuation after another / bare echo of the same body, a second", f"{ours:.0f} / {bare:.0f}"
    )
    yield beside("the one as a share of the other", f"{ours / bare:.2f}")


def _strangers() -> Iterator[Figure]:
    with _house() as house, house.serving() as running:
        refused, kinds, let_in = refused_strangers(running)
    yield beside("strangers refused, by status", _counts(refused))
    yield at_least("kinds of stranger tried", kinds, 16, 0)
    yield at_most("strangers let in", let_in, 0, 0)


class _house:  # noqa: N801 - used like a function
    """A house with the user's own trained model and records that are gone afterwards."""

    def __enter__(self) -> House:
        self._folder = tempfile.TemporaryDirectory()
        return House(Path(self._folder.name), cache_folder().parent, data_folder().parent)

    def __exit__(self, *_: object) -> None:
        self._folder.cleanup()


def _of(statuses: dict[int, int], least: int) -> int:
    return sum(count for status, count in statuses.items() if status >= least)


def _counts(statuses: dict[int, int] | Counter[int]) -> str:
    return ", ".join(f"{count} x {status}" for status, count in sorted(statuses.items()))
