"""Tests of a copy of the tree, each time in a process that is split off from one that has the libraries loaded already.

What our own modules are is read anew in every process, so that a changed file counts; what NumPy, FastAPI and the like
are is read once. A first pass writes down which test runs which lines (`Reach`): a test that runs none of the changed
ones need not be asked.
"""

from __future__ import annotations

import contextlib
import functools
import gc
import hashlib
import importlib
import json
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

OURS = {"valuer", "api", "tests"}
LIBRARIES = (
    "hypothesis.stateful", "numpy", "scipy.optimize", "scipy.stats", "pandas", "sklearn.tree", "sklearn.ensemble",
    "fastapi", "starlette.testclient", "sqlalchemy", "alembic.command", "click", "rich.table", "cryptography.x509",
    "rapidfuzz", "uvicorn", "coverage", "python_calamine", "openpyxl", "segno",
)  # fmt: skip
Spent = float
STILL_S = 45.0
"""A process that does nothing for so long waits for what will not come; on a busy machine others get a turn too."""


@dataclass
class Seen:
    """One test: the seconds it takes, and the lines that it runs, as a number with a bit a line, by file."""

    seconds: Spent = 0.0
    lines: dict[str, int] = field(default_factory=dict)

    def runs(self, file: str, lines: range) -> bool:
        """Whether it runs one of these lines."""
        return bool(self.lines.get(file, 0) >> lines.start & ((1 << len(lines)) - 1))


Reach = dict[str, Seen]
"""Every test by the name under which pytest takes it."""


def load_libraries() -> None:
    """Once, before anything is split off; they are not looked through for what can be forgotten."""
    for name in LIBRARIES:
        importlib.import_module(name)
    gc.freeze()


def split_off(copy: Path, do: Callable[[], str], patience: float) -> tuple[str | None, Spent]:
    """What ``do`` says in a process of its own in the copy, None if it came to no end; and how long it took.

    Its patience is in seconds of processor time, and of the clock five times that: others work here too.
    """
    reading, writing = os.pipe()
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        os.close(reading)
        _be_the_child(copy, do, writing)
    os.close(writing)
    try:
        said = _read_until_gone(reading, child, began + 5 * patience, patience)
    finally:
        os.close(reading)
    return said, time.monotonic() - began


def _be_the_child(copy: Path, do: Callable[[], str], writing: int) -> None:
    """Never returns."""
    try:
        os.setsid()
        nothing = os.open(os.devnull, os.O_RDWR)
        for number in range(3):
            os.dup2(nothing, number)
        for name in [name for name in sys.modules if name.split(".")[0] in OURS]:
            del sys.modules[name]
        os.chdir(copy)
        sys.path[:] = [str(copy), *(path for path in sys.path if path not in ("", str(Path.cwd())))]
        sys.dont_write_bytecode = True
        said = do()
    except BaseException:  # noqa: BLE001 - the parent hears of it, whatever it is
        said = f"!{traceback.format_exc(limit=-3)}"
    with os.fdopen(writing, "w", encoding="utf-8") as pipe:
        pipe.write(said)
    os._exit(0)


def _read_until_gone(reading: int, child: int, until: float, patience: float) -> str | None:
    os.set_blocking(reading, False)
    data = b""
    moved, then = time.monotonic(), 0.0
    while True:
        try:
            piece = os.read(reading, 1 << 16)
        except BlockingIOError:
            now, spent = time.monotonic(), _spent(child)
            if spent > then + 0.1:
                moved, then = now, spent
            if now > until or spent > patience or now > moved + STILL_S:
                break
            time.sleep(0.02)
            continue
        if not piece:
            break
        data += piece
    _end(child)
    return data.decode() if data else None


def _spent(child: int) -> Spent:
    """Seconds of processor time."""
    try:
        parts = Path(f"/proc/{child}/stat").read_text("utf-8").rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def _end(child: int) -> None:
    """The child and all that it started."""
    with contextlib.suppress(OSError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)


def _pytest(files: list[str], plugin: object) -> int:
    options = [
        "-p",
        "xdist.plugin",
        "-x",
        "-p",
        "no:cacheprovider",
        "-q",
        "-m",
        "not server",
        "--rootdir",
        ".",
    ]
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # libraries are loaded already, on purpose
    os.environ["CI"] = "1"  # Hypothesis draws the same each time
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"  # no test here needs one, and some take seconds
    return int(pytest.main([*options, *files], plugins=[plugin]))


class Chosen:
    """A pytest plugin: only these tests, in this order; remembers the first that failed."""

    def __init__(self, names: list[str]) -> None:
        self._place = {name: place for place, name in enumerate(names)}
        self.failed = ""

    def pytest_configure(self) -> None:
        """A failing example need not be made smaller."""
        from hypothesis import Phase, settings  # noqa: PLC0415 - in the process split off

        settings.register_profile("quick", settings(), phases=(Phase.explicit, Phase.generate))
        settings.load_profile("quick")

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Leave the others out."""
        here = [item for item in items if item.nodeid in self._place]
        items[:] = sorted(here, key=lambda item: self._place[item.nodeid])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Which one it was."""
        if report.failed:
            self.failed = self.failed or report.nodeid


def first_that_fails(copy: Path, names: list[str], patience: float) -> tuple[str, Spent]:
    """The first of these tests that fails in the copy, or what went wrong before one could; empty if none does."""
    files = list(dict.fromkeys(name.split("::")[0] for name in names))

    def do() -> str:
        chosen = Chosen(names)
        status = _pytest(files, chosen)
        return "passed" if status == 0 else chosen.failed or f"pytest ended with {status}"

    said, took = split_off(copy, do, patience)
    if said and said.startswith(("!", f"pytest ended with {pytest.ExitCode.NO_TESTS_COLLECTED:d}")):
        raise SystemExit(f"the tests could not be run: {said}")
    return "" if said == "passed" else said or "came to no end", took


class Watch:
    """A pytest plugin: which test runs which lines.

    What runs while a file is loaded, and fixtures that several share, count to each of its tests.
    """

    def __init__(self, root: Path) -> None:
        from coverage import Coverage  # noqa: PLC0415 - in the process split off

        self._root = root
        self._coverage = Coverage(
            data_file=None, source=[str(root / "valuer"), str(root / "api")], config_file=False
        )
        self._coverage.start()
        self._doing = ""
        self._fixtures: dict[str, list[str]] = {}
        self._seconds: dict[str, Spent] = {}
        self._first = ""
        self._firsts: dict[str, str] = {}
        self.failed: list[str] = []

    def _now(self, name: str) -> str:
        before, self._doing = self._doing, name
        self._coverage.switch_context(name)
        return before

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """A test of its own: what others have left in a memory does not count, but for the first of its function.

        Whatever that one ran counts to the others too: to make the catalogue anew for each row of a table takes an
        hour.
        """
        if function_of(item.nodeid) != function_of(self._first):
            _forget()
            self._first = item.nodeid
        self._firsts[item.nodeid] = self._first
        info: Mapping[str, Any] = item._fixtureinfo.name2fixturedefs if hasattr(item, "_fixtureinfo") else {}
        self._fixtures[item.nodeid] = [_name(one) for each in info.values() for one in each]
        before = self._now(item.nodeid)
        began = sum(os.times()[:4])
        yield
        self._seconds[item.nodeid] = (
            sum(os.times()[:4]) - began
        )  # processes that it started and ended included
        self._now(before)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[Any]:
        """What is set up once for several tests."""
        before = self._doing if fixturedef.scope == "function" else self._now(_name(fixturedef))
        came = yield
        self._now(before)
        return came

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """A test that fails as things are notices nothing."""
        if report.failed:
            self.failed.append(report.nodeid)

    def reach(self) -> dict[str, Any]:
        """By test: its seconds and its lines."""
        self._coverage.stop()
        data = self._coverage.get_data()
        by_context: dict[str, dict[str, int]] = {}
        for file in data.measured_files():
            name = str(Path(file).relative_to(self._root))
            for line, contexts in data.contexts_by_lineno(file).items():
                for context in contexts:
                    lines = by_context.setdefault(context, {})
                    lines[name] = lines.get(name, 0) | 1 << line
        found = {}
        for test, seconds in self._seconds.items():
            together: dict[str, int] = {}
            for context in ("", test, self._firsts[test], *self._fixtures[test]):
                for name, bits in by_context.get(context, {}).items():
                    together[name] = together.get(name, 0) | bits
            if test not in self.failed:
                found[test] = [round(seconds, 3), {name: hex(bits) for name, bits in together.items()}]
        return {"tests": found, "failed": self.failed}


def function_of(test: str) -> str:
    """The name of a test without the row of its table."""
    return test.partition("[")[0]


def _name(fixture: Any) -> str:
    return f"{fixture.baseid} makes {fixture.argname}"


def _forget() -> None:
    for thing in gc.get_objects():
        if isinstance(thing, functools._lru_cache_wrapper) and thing.__module__.split(".")[0] in OURS:
            thing.cache_clear()


def watch(copy: Path, file: str, patience: float) -> dict[str, Any]:
    """Run one file of tests in the copy and tell what each test runs, and which failed."""

    def do() -> str:
        watching = Watch(copy)
        status = _pytest(["--maxfail=1000", file], watching)
        if status > pytest.ExitCode.TESTS_FAILED:
            return f"!pytest ended with {status}"
        return json.dumps(watching.reach())

    said, _ = split_off(copy, do, patience)
    if said and said.startswith("!"):
        raise SystemExit(f"{file} could not be run: {said}")
    if said is None:
        return {"tests": {}, "failed": [f"{file}, which came to no end"]}
    return dict(json.loads(said))


def reach_of(
    copy: Path, files: list[str], kept: Path, say: Callable[[str], object]
) -> tuple[Reach, list[str]]:
    """Which test runs which lines, and which fail as things are; kept by file until it or what it runs changes."""
    kept.mkdir(parents=True, exist_ok=True)
    reach: Reach = {}
    failed: list[str] = []
    for number, file in enumerate(files):
        told = _kept(copy, file, kept)
        if told is None:
            say(f"{number + 1} of {len(files)}: what {file} runs")
            told = watch(copy, file, 900)
            ran = {name for _, lines in told["tests"].values() for name in lines}
            told["ran"] = {name: _mark(copy, name) for name in sorted(ran)}
            (kept / f"{_mark(copy, file)}.json").write_text(json.dumps(told), "utf-8")
        failed += told["failed"]
        for name, (seconds, lines) in told["tests"].items():
            reach[name] = Seen(seconds, {path: int(bits, 16) for path, bits in lines.items()})
    return reach, failed


def _kept(copy: Path, file: str, kept: Path) -> dict[str, Any] | None:
    place = kept / f"{_mark(copy, file)}.json"
    told = json.loads(place.read_text("utf-8")) if place.exists() else None
    return told if told and all(_mark(copy, name) == mark for name, mark in told["ran"].items()) else None


def _mark(copy: Path, name: str) -> str:
    """A file's name and content in short; what tests share is left out, for a list a little old only asks worse."""
    path = copy / name
    return hashlib.sha256(name.encode() + (path.read_bytes() if path.exists() else b"")).hexdigest()[:24]
