"""Would a test notice? Single small changes of what decides, drawn evenly, each against the tests of its room.

``python -m tests.benchmark mutation --seed N --mutants N``. Each mutant stands in a copy of the tree that is thrown
away. Which survived is written to ``mutation_survivors.txt``; those in `harmless_mutants.toml` have their reason there,
and every other is a missing test.

Why not a kept tool: see the contributor guide.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from tests.benchmark.figures import Figure, at_least, at_most, beside
from tests.benchmark.mutants import Mutant, mutants

ROOT = Path(__file__).resolve().parents[2]
HARMLESS = Path(__file__).with_name("harmless_mutants.toml")
SURVIVORS = Path("mutation_survivors.txt")
LEAST_KILLED = 0.90


@dataclass(frozen=True)
class Room:
    """Files that decide, and the tests that should notice, quickest first. Tests that train are left out."""

    files: tuple[str, ...]
    tests: tuple[str, ...]
    without: tuple[str, ...] = ()


ROOMS = {
    "domain": Room(
        ("valuer/domain/*.py",),
        (
            "tests/domain",
            "tests/records/test_after_work.py",
            "tests/records/test_machine_files.py",
            "tests/bad_files/test_readers.py",
        ),
    ),
    "records": Room(
        ("valuer/records/*.py", "valuer/records/store/*.py"),
        (
            "tests/records",
            "tests/cli/test_records.py",
            "tests/api/test_around.py",
            "tests/bad_files/test_hostile.py",
        ),
        (
            "tests/records/test_server_restart.py",
            "valuer/records/template.py",
            "valuer/records/store/tables.py",
        ),
    ),
    "price_model": Room(
        ("valuer/price_model/*.py",),
        ("tests/price_model", "tests/test_learning.py"),
        (
            "tests/price_model/test_artifact.py",
            "tests/price_model/test_beyond.py",
            "tests/price_model/test_given_sales.py",
            "tests/price_model/test_laws.py",
            "tests/price_model/test_sanity_facts.py",
            "tests/price_model/test_training.py",
            "valuer/price_model/card.py",
            "valuer/price_model/artifact.py",
            "valuer/price_model/signing.py",
            "valuer/price_model/training.py",
            "valuer/price_model/given.py",
        ),
    ),
    "api": Room(
        ("api/*.py",),
        ("tests/api", "tests/bad_files/test_hostile.py"),
        ("tests/api/test_any_request.py", "api/examples.py"),
    ),
    "advice": Room(("valuer/advice/**/*.py",), ("tests/advice", "tests/test_learning.py")),
}


def run(seed: int = 1, mutants: int = 600, room: str = "") -> Iterator[Figure]:
    """The share of mutants that the tests noticed, by room and in all."""
    rooms = {name: each for name, each in ROOMS.items() if room in ("", name)}
    reasons = harmless()
    killed: Counter[str] = Counter()
    drawn: Counter[str] = Counter()
    alive: list[str] = []
    for name, each in rooms.items():
        chosen = draw(each, seed, mutants // len(rooms))
        with House(each) as house:
            for mutant in chosen:
                drawn[name] += 1
                if house.notices(mutant):
                    killed[name] += 1
                else:
                    alive.append(mutant.name)
                    SURVIVORS.write_text("\n".join([*alive, ""]), "utf-8")
        known = sum(each_alive in reasons for each_alive in alive)
        yield beside(f"{name}: drawn, noticed", f"{drawn[name]}, {killed[name]}")
    known = sum(name in reasons for name in alive)
    yield beside(
        "mutants drawn, noticed, harmless with a reason", f"{drawn.total()}, {killed.total()}, {known}"
    )
    yield at_least("share noticed", killed.total() / drawn.total(), LEAST_KILLED)
    yield at_most("survivors without a reason", len(alive) - known, 0, 0)


def harmless() -> dict[str, str]:
    """The reason why a mutant may survive, by its name."""
    listed = tomllib.loads(HARMLESS.read_text("utf-8"))["mutant"]
    return {each["name"]: each["reason"] for each in listed}


def draw(room: Room, seed: int, count: int) -> tuple[Mutant, ...]:
    """So many mutants of a room, each equally likely."""
    files = sorted({str(path.relative_to(ROOT)) for pattern in room.files for path in ROOT.glob(pattern)})
    every = [mutant for file in files if file not in room.without for mutant in mutants(ROOT, file)]
    return tuple(random.Random(seed).sample(every, min(count, len(every))))


class House:
    """A copy of the tree in which one file at a time is another."""

    def __init__(self, room: Room) -> None:
        self._room = room
        self._folder = tempfile.TemporaryDirectory(prefix="mutants-")
        self._root = Path(self._folder.name)

    def __enter__(self) -> Self:
        """Copy the tree and see that its tests pass as it is."""
        for top in ("valuer", "api", "tests", "datasets", "model_cards", "pyproject.toml", "README.md"):
            source = ROOT / top
            copy = shutil.copytree if source.is_dir() else shutil.copy
            copy(source, self._root / top)
        began = time.monotonic()
        if self._fails(None, 1_800):
            raise SystemExit("the tests fail as they are; mend them before mutants are tried")
        self._patience = 3 * (time.monotonic() - began) + 30
        return self

    def __exit__(self, *_: object) -> None:
        self._folder.cleanup()

    def notices(self, mutant: Mutant) -> bool:
        """Whether a test fails, or does not come to an end, with the mutant in place."""
        place = self._root / mutant.file
        before = place.read_text("utf-8")
        place.write_text(mutant.text, "utf-8")
        try:
            return self._fails(mutant.file, self._patience)
        finally:
            place.write_text(before, "utf-8")

    def _fails(self, file: str | None, seconds: float) -> bool:
        tests = [path for path in _files_of(self._room) if path not in self._room.without]
        if file:
            module = file.removesuffix(".py").replace("/", ".")
            near = [path for path in tests if module in (self._root / path).read_text("utf-8")]
            if near and self._run(near, seconds):
                return True
            tests = [path for path in tests if path not in near]
        return bool(tests) and self._run(tests, seconds)

    def _run(self, tests: list[str], seconds: float) -> bool:
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-x",
            "-q",
            "-p",
            "no:cacheprovider",
            "-m",
            "not server",
            *tests,
        ]
        around = {**os.environ, "PYTHONPATH": str(self._root), "PYTHONDONTWRITEBYTECODE": "1"}
        around.pop("CI", None)
        try:
            ran = subprocess.run(
                command, cwd=self._root, env=around, timeout=seconds, check=False, capture_output=True
            )
        except subprocess.TimeoutExpired:
            return True
        return ran.returncode != 0


def _files_of(room: Room) -> Iterator[str]:
    for path in room.tests:
        there = ROOT / path
        found = sorted(there.rglob("test_*.py")) if there.is_dir() else [there]
        yield from (str(each.relative_to(ROOT)) for each in found)
