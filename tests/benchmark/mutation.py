"""Would a test notice? Single small changes of what decides, drawn evenly, each against the tests that run it.

``python -m tests.benchmark mutation --seed N --mutants N``. Each mutant stands in a copy of the tree that is thrown
away. What came of each is kept in the user's cache as it comes, so that a run that is ended goes on where it was;
``--again`` tries the survivors once more, after tests were written. Which survived is written to
``mutation_survivors.txt``; those in `harmless_mutants.toml` have their reason there, and every other is a missing test.

Why not a kept tool: see the contributor guide.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from tests.benchmark.figures import Figure, at_least, at_most, beside
from tests.benchmark.mutants import Mutant, mutants
from tests.benchmark.trial import Reach, first_that_fails, function_of, load_libraries, reach_of
from valuer.paths import cache_folder

ROOT = Path(__file__).resolve().parents[2]
HARMLESS = Path(__file__).with_name("harmless_mutants.toml")
SURVIVORS = Path("mutation_survivors.txt")
LEAST_KILLED = 0.90
AT_MOST_S = 15.0
"""Tests that take longer together are not all asked: the first that run the line, nearest and quickest first."""


@dataclass(frozen=True)
class Room:
    """Files that decide, but for those without, and the folders whose tests are asked."""

    files: tuple[str, ...]
    tests: tuple[str, ...]
    without: tuple[str, ...] = ()


ROOMS = {
    "domain": Room(
        ("valuer/domain/*.py",),
        ("tests/domain", "tests/records", "tests/bad_files", "tests/intake", "valuer/domain"),
    ),
    "api": Room(("api/*.py",), ("tests/api", "tests/bad_files", "api"), ("api/examples.py",)),
    "records": Room(
        ("valuer/records/*.py", "valuer/records/store/*.py"),
        ("tests/records", "tests/bad_files", "tests/api", "valuer/records"),
        ("valuer/records/template.py", "valuer/records/store/tables.py"),
    ),
    "advice": Room(
        ("valuer/advice/**/*.py",),
        ("tests/advice", "tests/test_learning.py", "tests/api", "valuer/advice"),
    ),
    "price_model": Room(
        ("valuer/price_model/*.py",),
        (
            "tests/price_model",
            "tests/test_learning.py",
            "tests/advice/test_trade_facts.py",
            "valuer/price_model",
        ),
        (
            "valuer/price_model/artifact.py",
            "valuer/price_model/card.py",
            "valuer/price_model/given.py",
            "valuer/price_model/training.py",
        ),
    ),
}
"""Without: what only describes, and what only trains, whose tests take minutes."""

TOO_SLOW = {
    "tests/api/test_any_request.py",
    "tests/price_model/test_training.py",
    "tests/records/test_any_sequence.py",
    "tests/records/test_full_disk.py",
    "tests/records/test_server_restart.py",
}
"""Tests that train, that start a server, or that take minutes."""


def run(
    seed: int = 1, mutants: int = 600, room: str = "", part: str = "", *, again: bool = False
) -> Iterator[Figure]:
    """The share of mutants that the tests noticed, by room and in all; ``part`` is how the files' paths begin."""
    rooms = {name: each for name, each in ROOMS.items() if room in ("", name)}
    reasons = harmless()
    killed: Counter[str] = Counter()
    drawn: Counter[str] = Counter()
    alive: list[str] = []
    with House() as house:
        for name, each in rooms.items():
            house.learn(each)
            for mutant in draw(house.root, each, seed, mutants // len(rooms)):
                if not mutant.file.startswith(part):
                    continue
                drawn[name] += 1
                if house.notices(mutant, again=again):
                    killed[name] += 1
                else:
                    alive.append(mutant.name)
            yield beside(f"{name}: drawn, noticed", f"{drawn[name]}, {killed[name]}")
    SURVIVORS.write_text("\n".join([*alive, ""]), "utf-8")
    known = sum(name in reasons for name in alive)
    yield beside(
        "mutants drawn, noticed, harmless with a reason", f"{drawn.total()}, {killed.total()}, {known}"
    )
    yield at_least("share noticed", killed.total() / max(1, drawn.total()), LEAST_KILLED)
    yield at_most("survivors without a reason", len(alive) - known, 0, 0)


def harmless() -> dict[str, str]:
    """The reason why a mutant may survive, by its name."""
    listed = tomllib.loads(HARMLESS.read_text("utf-8"))["mutant"]
    return {each["name"]: each["reason"] for each in listed}


def draw(root: Path, room: Room, seed: int, count: int) -> tuple[Mutant, ...]:
    """So many mutants of a room, each equally likely; one that is drawn stays drawn when another file changes."""
    files = sorted({str(path.relative_to(root)) for pattern in room.files for path in root.glob(pattern)})
    every = [mutant for file in files if file not in room.without for mutant in mutants(root, file)]

    def lot(mutant: Mutant) -> bytes:
        return hashlib.sha256(f"{seed} {mutant.name}".encode()).digest()

    return tuple(sorted(sorted(every, key=lot)[:count], key=lambda mutant: mutant.file))


class House:
    """A copy of the tree in which one file at a time is another, and what came of each so far."""

    def __enter__(self) -> Self:
        """Copy the tree."""
        self._folder = tempfile.TemporaryDirectory(prefix="mutants-")
        self.root = Path(self._folder.name).resolve()
        for top in (
            "valuer",
            "api",
            "tests",
            "datasets",
            "model_cards",
            "pyproject.toml",
            "README.md",
            ".ci",
        ):
            source = ROOT / top
            copy = shutil.copytree if source.is_dir() else shutil.copy
            copy(source, self.root / top)
        load_libraries()
        self._kept = cache_folder() / "mutants"
        self._came_file = self._kept / "came.jsonl"
        self._came = _came(self._came_file)
        self._reach: Reach = {}
        self._turn = 0
        return self

    def __exit__(self, *_: object) -> None:
        self._folder.cleanup()

    def learn(self, room: Room) -> None:
        """Find out what each test of a room runs."""
        self._reach, failed = reach_of(self.root, list(_test_files(self.root, room)), self._kept, _say)
        for name in failed:
            _say(f"fails as things are, so it is not asked: {name}")

    def notices(self, mutant: Mutant, *, again: bool) -> bool:
        """Whether a test fails, or does not come to an end, with the mutant in place."""
        mark = f"{mutant.name} in {hashlib.sha256((self.root / mutant.file).read_bytes()).hexdigest()[:12]}"
        before = self._came.get(mark)
        if before is None or (again and not before):
            by, took = self._try(mutant)
            self._came[mark] = by
            with self._came_file.open("a", encoding="utf-8") as file:
                file.write(json.dumps({"mutant": mark, "by": by, "seconds": round(took, 1)}) + "\n")
            _say(f"{took:5.1f} s  {mutant.name}  {by.strip().splitlines()[-1] if by else 'SURVIVED'}")
        return bool(self._came[mark])

    def _try(self, mutant: Mutant) -> tuple[str, float]:
        names = _asked(self.root, self._reach, mutant)
        if not names:
            return "", 0.0
        place = self.root / mutant.file
        before, moment = place.read_bytes(), place.stat()
        place.write_text(mutant.text, "utf-8")
        self._turn += 1
        os.utime(place, (moment.st_atime, moment.st_mtime + self._turn))  # what was compiled of it is old
        try:
            patience = 3 * sum(self._reach[name].seconds for name in names) + 60
            return first_that_fails(self.root, names, patience)
        finally:
            place.write_bytes(before)
            os.utime(place, (moment.st_atime, moment.st_mtime))


def _asked(root: Path, reach: Reach, mutant: Mutant) -> list[str]:
    """The tests that run what is changed: those in a file that names the module first, then one of each function.

    Rows of one table look at much the same; of what is left the quickest is first. What no test runs is run when a
    module is loaded, or never; then any test may notice.
    """
    module = mutant.file.removesuffix(".py").replace("/", ".")
    near = {
        file: module in (root / file).read_text("utf-8") for file in {name.split("::")[0] for name in reach}
    }
    quickest = sorted(
        [name for name, seen in reach.items() if seen.runs(mutant.file, mutant.lines)] or list(reach),
        key=lambda name: reach[name].seconds,
    )
    asked: Counter[str] = Counter()
    places: dict[str, tuple[bool, int]] = {}
    for name in quickest:
        places[name] = not near[name.split("::")[0]], asked[function_of(name)]
        asked[function_of(name)] += 1
    runs = sorted(quickest, key=lambda name: places[name])
    chosen: list[str] = []
    spent = 0.0
    for name in runs:
        spent += reach[name].seconds
        if chosen and spent > AT_MOST_S:
            break
        chosen.append(name)
    return chosen


def _came(file: Path) -> dict[str, str]:
    """By mutant, which test noticed it, or nothing where none did."""
    lines = file.read_text("utf-8").splitlines() if file.exists() else ()
    return {told["mutant"]: told["by"] for told in map(json.loads, lines)}


def _test_files(root: Path, room: Room) -> Iterator[str]:
    """Test files of a room, and modules with examples that are run."""
    for top in map(root.joinpath, room.tests):
        for path in sorted(top.rglob("*.py")) if top.is_dir() else [top]:
            name = str(path.relative_to(root))
            tests = (
                path.name.startswith("test_")
                if name.startswith("tests/")
                else ">>>" in path.read_text("utf-8")
            )
            if tests and name not in TOO_SLOW:
                yield name


def _say(line: str) -> None:
    sys.stderr.write(f"{line}\n")
    sys.stderr.flush()
