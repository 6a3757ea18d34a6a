"""Copies of a SQLite store: made whole or not at all, checked, and put back."""

import os
import shutil
import sqlite3
from collections.abc import Collection, Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path

from valuer.records.store.problems import NEWER, StoreProblem, damaged, told


def backup_folder(file: Path) -> Path:
    """Where the copies of a store stand: beside it."""
    return file.parent / "backups"


def backups(file: Path) -> tuple[Path, ...]:
    """The copies there are, newest first."""
    return tuple(sorted(backup_folder(file).glob(f"{file.stem}-*.sqlite"), reverse=True))


def check(file: Path) -> None:
    """Read the whole structure of a SQLite file; raises Damaged with what is wrong."""
    with _plainly(file.name), closing(_reader(file)) as connection:
        found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise damaged(file.name, " ".join(str(found).split())[:120])


def _reader(file: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(file, timeout=5, isolation_level=None)
    connection.execute("PRAGMA query_only=ON")
    return connection


@contextmanager
def _plainly(name: str) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise told(name, str(error)) from None
    except OSError as error:
        raise told(name, error.strerror or str(error)) from None


def back_up(file: Path, now: datetime, reason: str = "asked", to: Path | None = None) -> Path:
    """Copy the store as of this moment, writers or not, and return the copy.

    The copy is written beside its place, checked, made durable, then named: a kill leaves none or all of it.
    """
    if not file.exists():
        raise StoreProblem(f"{file.name}: no such file, so there is nothing to back up")
    target = to or backup_folder(file) / f"{file.stem}-{now:%Y%m%dT%H%M%S}Z-{reason}.sqlite"
    if target.resolve() == file.resolve():
        raise StoreProblem(f"{target.name}: is the store itself; give another path")
    unfinished = target.with_name(f".{target.name}.{os.getpid()}")
    with _plainly(target.name):
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            _copy(file, unfinished)
            check(unfinished)
            unfinished.replace(target)
            _make_durable(target.parent)
        finally:
            unfinished.unlink(missing_ok=True)
    return target


def _copy(source: Path, target: Path) -> None:
    with closing(_reader(source)) as read, closing(sqlite3.connect(target)) as written:
        read.backup(written)
        written.execute("PRAGMA journal_mode=DELETE")  # the copy is one file, without a log beside it
    _make_durable(target)


def _make_durable(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def restore(file: Path, backup: Path, now: datetime, known: Collection[str]) -> Path | None:
    """Put a checked copy in the store's place; what stood there is kept and its new path returned.

    ``known`` are the forms of a store that this valuer can read. A store that is whole is overwritten in one
    transaction, so that a server on it sees the change; a damaged one is replaced by the file.
    """
    if not backup.is_file():
        raise StoreProblem(f"{backup.name}: no such backup; `valuer restore` lists those there are")
    check(backup)
    _is_ours(backup, known)
    try:
        kept = back_up(file, now, "before-restore") if file.exists() else None
    except StoreProblem:
        kept = _set_aside(file, now)
    with _plainly(file.name):
        if kept is None or not file.exists():
            _take_place(backup, file)
        else:
            with closing(_reader(backup)) as read, closing(sqlite3.connect(file, timeout=5)) as written:
                read.backup(written)
    return kept


def _is_ours(backup: Path, known: Collection[str]) -> None:
    with closing(_reader(backup)) as read, _plainly(backup.name):
        if not read.execute("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").fetchone():
            raise StoreProblem(f"{backup.name}: holds no records of machines; give a backup of a store")
        (found,) = read.execute("SELECT version_num FROM alembic_version").fetchone() or ("none",)
    if found not in known:
        raise StoreProblem(
            f"{backup.name} {NEWER.format(found=found, known=max(known))}; nothing was changed"
        )


def _set_aside(file: Path, now: datetime) -> Path:
    """Move a damaged store with its log out of the way; nothing of it is thrown away."""
    kept = backup_folder(file) / f"{file.stem}-{now:%Y%m%dT%H%M%S}Z-damaged.sqlite-kept"
    kept.parent.mkdir(parents=True, exist_ok=True)
    for ending in ("-wal", "-shm", ""):
        part = file.with_name(file.name + ending)
        if part.exists():
            shutil.move(part, kept.with_name(kept.name + ending))
    return kept


def _take_place(backup: Path, file: Path) -> None:
    unfinished = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        _copy(backup, unfinished)
        unfinished.replace(file)
        _make_durable(file.parent)
    finally:
        unfinished.unlink(missing_ok=True)
