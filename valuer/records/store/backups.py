"""Copies of a SQLite store: made whole or not at all, as private as the store, never one over another."""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from time import monotonic

from valuer.records.store.problems import StoreProblem, damaged, told

PATIENCE_S = 5.0  # how long another that is writing is waited for
BESIDE = ("-wal", "-shm", "-journal")  # what SQLite keeps beside a file


def backup_folder(file: Path) -> Path:
    """Where the copies of a store stand: beside it."""
    return file.parent / "backups"


def backups(file: Path) -> tuple[Path, ...]:
    """The copies there are, whatever they are called, newest first; what was set aside is among them."""
    folder = backup_folder(file)
    if not folder.is_dir():
        return ()
    copies = [
        each
        for each in folder.iterdir()
        if each.is_file() and not each.name.startswith(".") and not each.name.endswith(BESIDE)
    ]
    return tuple(sorted(copies, key=lambda each: (each.stat().st_mtime_ns, each.name), reverse=True))


def check(file: Path) -> None:
    """Read the whole structure of a SQLite file; raises Damaged with what is wrong."""
    with plainly_about(file.name), closing(reader(file)) as connection:
        found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise damaged(file.name, " ".join(str(found).split())[:120])


def reader(file: Path) -> sqlite3.Connection:
    """A connection that changes nothing, and runs nothing that stands in the file."""
    connection = sqlite3.connect(file, timeout=PATIENCE_S, isolation_level=None)
    connection.execute("PRAGMA query_only=ON")
    connection.execute("PRAGMA trusted_schema=OFF")
    return connection


@contextmanager
def plainly_about(name: str) -> Iterator[None]:
    """Turn what SQLite or the system raises into a StoreProblem about the file called ``name``."""
    try:
        yield
    except sqlite3.Error as error:
        raise told(name, str(error)) from None
    except OSError as error:
        raise told(name, error.strerror or str(error)) from None


def back_up(file: Path, now: datetime, reason: str = "asked", to: Path | None = None) -> Path:
    """Copy the store as of this moment, writers or not, and return the copy.

    The copy is written beside its place, checked, made durable, then named: a kill leaves none or all of it.
    Raises StoreProblem; a copy that is there already is not written over.
    """
    if not file.exists():
        raise StoreProblem(f"{file.name}: no such file, so there is nothing to back up")
    target = to or _free(backup_folder(file) / f"{file.stem}-{now:%Y%m%dT%H%M%S}Z-{reason}.sqlite")
    if target.resolve() == file.resolve():
        raise StoreProblem(f"{target.name}: is the store itself; give another path")
    if target.exists():
        raise StoreProblem(f"{target.name}: is there already; give another path")
    unfinished = target.with_name(f".{target.name}.{os.getpid()}")
    with plainly_about(target.name):
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            copy(file, unfinished, like=file)
            check(unfinished)
            unfinished.rename(target)
            make_durable(target.parent)
        finally:
            unfinished.unlink(missing_ok=True)
    return target


def _free(wanted: Path) -> Path:
    """The path, or one with a number where it is taken: two copies within a second, or a clock that was set back."""
    numbered = (wanted.with_name(f"{wanted.stem}-{number}{wanted.suffix}") for number in range(2, 10_000))
    return next(each for each in (wanted, *numbered) if not each.exists())


def copy(source: Path, target: Path, like: Path | None = None) -> None:
    """Copy a SQLite file page by page into a new one with the rights of ``like``, or for its owner only."""
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    if like is not None:
        _as_private(target, like)
    pour(source, target)
    with closing(sqlite3.connect(target)) as written:
        written.execute("PRAGMA journal_mode=DELETE")  # the copy is one file, without a log beside it
    make_durable(target)


def _as_private(file: Path, like: Path) -> None:
    """Owner and rights of another file; where the owner may not be given, nobody but us gets any."""
    wanted = like.stat()
    try:
        os.chown(file, wanted.st_uid, wanted.st_gid)
    except PermissionError:
        file.chmod(wanted.st_mode & 0o700)
    else:
        file.chmod(wanted.st_mode & 0o777)


def pour(source: Path, target: Path) -> None:
    """Copy all pages of one SQLite file over those of another in one transaction; raises sqlite3.Error.

    Python's own copying waits for a locked file without an end.
    """
    with closing(reader(source)) as read, closing(sqlite3.connect(target, timeout=PATIENCE_S)) as written:
        read.backup(written, progress=_patience(), sleep=0.05)


def _patience() -> Callable[[int, int, int], None]:
    until: list[float] = []

    def step(status: int, _remaining: int, _total: int) -> None:
        if status not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            until.clear()
        elif not until:
            until.append(monotonic() + PATIENCE_S)
        elif monotonic() > until[0]:
            raise sqlite3.OperationalError("database is locked")

    return step


def make_durable(path: Path) -> None:
    """Have the system write a file or folder out."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def moved_aside(file: Path, now: datetime) -> dict[Path, Path]:
    """Move a damaged file with its log among the copies; where each part came from, and is now.

    Nothing is thrown away, and where a part cannot be moved those that were come back.
    """
    kept = _free(backup_folder(file) / f"{file.stem}-{now:%Y%m%dT%H%M%S}Z-damaged.sqlite")
    moved: dict[Path, Path] = {}
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        for ending in (*BESIDE, ""):
            part = file.with_name(file.name + ending)
            if part.exists():
                aside = kept.with_name(kept.name + ending)
                part.rename(aside)
                moved[part] = aside
    except OSError:
        put_back(moved)
        raise
    return moved


def put_back(moved: dict[Path, Path]) -> None:
    """Undo what `moved_aside` did, as far as the system lets us."""
    for part, aside in moved.items():
        with suppress(OSError):
            aside.rename(part)
