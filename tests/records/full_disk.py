"""Everything that writes records, with each of its writes to the disk failing once.

``LD_PRELOAD=full_disk.so python -m tests.records.full_disk FOLDER``; `failing_once` makes the library and starts it.
Printed is JSON: by deed, how many writes failed, and what was found wrong afterwards.
"""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

from tests.records.bench import NOW, damage, entry, full_entry, put_back_to
from valuer.records.entries import Book
from valuer.records.store.backups import check
from valuer.records.store.problems import StoreProblem
from valuer.records.store.store import backup_store, open_store, restore_store, store_backups

LATER = NOW + timedelta(hours=1)
OLD, NEW = ("m0", "m1", "m2"), ("later", "m0", "m1", "m2")
IMPORTED = tuple(f"i{number:02}" for number in range(30))
SOURCE = Path(__file__).with_name("full_disk.c")


class Deed(NamedTuple):
    """What is done to a store of NEW with a copy of OLD, how it is made ready, and who stands in it afterwards."""

    ready: Callable[[Path], object]
    do: Callable[[Path], object]
    after: tuple[str, ...]


def _nothing(_: Path) -> None:
    pass


def _take(file: Path) -> None:
    store = open_store(LATER, str(file))
    try:
        store.take(entry("taken"), LATER)
    finally:
        store.close()


def _import(file: Path) -> None:
    store = open_store(LATER, str(file))
    try:
        store.add(Book(machines=tuple(full_entry(name) for name in IMPORTED)), LATER)
    finally:
        store.close()


def _age(file: Path) -> None:
    with closing(sqlite3.connect(file)) as connection:
        put_back_to(connection, "0001")


def _copy_of_old(file: Path) -> Path:
    return next(copy for copy in store_backups(str(file)) if copy.name.endswith("-asked.sqlite"))


DEEDS = {
    "a machine taken in": Deed(_nothing, _take, (*NEW, "taken")),
    "import": Deed(_nothing, _import, (*IMPORTED, *NEW)),
    "backup": Deed(_nothing, lambda file: backup_store(LATER, str(file)), NEW),
    "restore": Deed(_nothing, lambda file: restore_store(_copy_of_old(file), LATER, str(file)), OLD),
    "restore over a damaged store": Deed(
        damage, lambda file: restore_store(_copy_of_old(file), LATER, str(file)), OLD
    ),
    "migration": Deed(_age, lambda file: open_store(LATER, str(file)).close(), NEW),
}


def _made(folder: Path) -> Path:
    """A store of NEW with a copy of OLD."""
    file = folder / "records.sqlite"
    store = open_store(NOW, str(file))
    store.add(Book(machines=tuple(full_entry(name) for name in OLD)), NOW)
    backup_store(NOW, str(file))
    store.take(entry("later"), NOW)
    store.close()
    return file


def _ids(file: Path) -> tuple[str, ...]:
    store = open_store(LATER, str(file))
    try:
        return tuple(sorted(kept.entry.id for kept in store.entries()))
    finally:
        store.close()


def _wrong(deed: Deed, file: Path, before: bytes, refusal: Exception | None) -> Iterator[str]:
    """What is not as it should be after one write has failed, refused or not."""
    if refusal and not (isinstance(refusal, StoreProblem) and "\n" not in str(refusal)):
        yield f"told as {type(refusal).__name__}: {refusal}"
    hidden = [each.name for each in file.parent.iterdir() if each.name.startswith(".")]
    if hidden:
        yield f"left behind: {hidden}"
    for copy in store_backups(str(file)):
        if not copy.name.endswith("-damaged.sqlite"):
            check(copy)
    _copy_of_old(file)
    if refusal and deed.ready is damage:
        if file.read_bytes() != before:
            yield "refused, and the damaged store is not what it was"
        return
    there = _ids(file)
    if there != (NEW if refusal else deed.after):
        yield f"{'refused' if refusal else 'done'}, and there stand {there}"


def _wrong_again(deed: Deed, file: Path) -> Iterator[str]:
    """What is not as it should be when it is done once more, with room."""
    try:
        deed.do(file)
    except Exception as refusal:  # noqa: BLE001 - whatever it is, it is told
        yield f"not done a second time: {refusal}"
        return
    if _ids(file) != deed.after:
        yield f"done a second time, and there stand {_ids(file)}"


def _each_write(deed: Deed, made: Path, folder: Path, step: int) -> tuple[int, int, list[str]]:
    """How many writes failed, how many of these were survived without a word, and what was wrong."""
    disk = ctypes.CDLL(None)
    wrong: list[str] = []
    refused = 0
    for number in range(1, 100_000, step):
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(made, folder)
        file = folder / "records.sqlite"
        deed.ready(file)
        before = file.read_bytes()
        refusal: Exception | None = None
        disk.fail_at(number, str(folder).encode())
        try:
            deed.do(file)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is looked at
            refusal = error
        seen = disk.writes_seen()
        disk.fail_at(0, b"")
        refused += refusal is not None
        found = [*_wrong(deed, file, before, refusal), *(_wrong_again(deed, file) if refusal else ())]
        wrong += [f"write {number}: {what}" for what in found]
        if seen < number:
            return number - 1, refused, wrong
    raise AssertionError("writes without end")


def failing_once(folder: Path, step: int = 1) -> dict[str, tuple[int, int, list[str]]]:
    """By deed: how many writes there are, how often their failing was refused, what was wrong; every ``step``-th."""
    library = folder / "full_disk.so"
    compiler = shutil.which("cc") or "cc"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", library, SOURCE, "-ldl"], check=True)
    around = {**os.environ, "LD_PRELOAD": str(library)}
    command = [sys.executable, "-m", "tests.records.full_disk", str(folder), str(step)]
    ran = subprocess.run(command, env=around, check=True, stdout=subprocess.PIPE, cwd=SOURCE.parents[2])
    return {name: tuple(told) for name, told in json.loads(ran.stdout).items()}


def _main(folder: Path, step: int) -> None:
    made = folder / "made"
    made.mkdir()
    _made(made)
    told = {name: _each_write(deed, made, folder / "tried", step) for name, deed in DEEDS.items()}
    json.dump(told, sys.stdout)


if __name__ == "__main__":
    _main(Path(sys.argv[1]), int(sys.argv[2]))
