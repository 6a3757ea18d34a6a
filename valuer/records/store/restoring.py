"""A copy put in the place of a store: believed first, and what stood there comes back when anything fails."""

import os
import sqlite3
import tempfile
from contextlib import closing
from datetime import datetime
from pathlib import Path

from sqlalchemy import URL

from valuer.records.store.backups import (
    back_up,
    check,
    copy,
    make_durable,
    moved_aside,
    plainly_about,
    pour,
    put_back,
    reader,
)
from valuer.records.store.migrate import known_forms, upgrade
from valuer.records.store.odd_rows import odd_row
from valuer.records.store.opening import connect
from valuer.records.store.problems import NEWER, Damaged, StoreProblem, damaged, plainly
from valuer.records.store.tables import HEAD

Shape = dict[str, object]


def restore(file: Path, backup: Path, now: datetime) -> Path | None:
    """Put a copy that is believed in the store's place; what stood there is kept and its new path returned.

    A store that is whole is overwritten in one transaction, so that a server on it sees the change; a damaged one is
    moved aside, and moved back when the copy cannot take its place. Raises StoreProblem; then nothing was changed.
    """
    if not backup.is_file():
        raise StoreProblem(f"{backup.name}: no such backup; `valuer restore` lists those there are")
    there = Path(os.path.realpath(file))  # a link stays a link
    check(backup)
    ready = there.with_name(f".{there.name}.{os.getpid()}")
    with plainly_about(file.name):
        there.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        try:
            copy(backup, ready, like=there if there.exists() else None)
            _believe(ready, backup.name)
            return _put(ready, file, there, now)
        finally:
            for ending in ("", "-wal", "-shm"):
                ready.with_name(ready.name + ending).unlink(missing_ok=True)


def _put(ready: Path, file: Path, there: Path, now: datetime) -> Path | None:
    """Let a copy that is ready take the place of what is there."""
    kept = None
    if there.exists():
        try:
            kept = back_up(file, now, "before-restore")
        except Damaged:  # anything else (no room, no right, a lock) is no reason to move a healthy store
            kept = None
        else:
            pour(ready, there)
            return kept
    moved = moved_aside(there, now)
    try:
        ready.rename(there)
        make_durable(there.parent)
    except OSError:
        put_back(moved)
        raise
    return moved.get(there)


def _believe(copied: Path, name: str) -> None:
    """Bring a copy to the present form and read every row; raises StoreProblem where it is no store of ours.

    Nothing in it is run before its whole structure is known to be ours: a trigger would write what it likes.
    """
    with closing(reader(copied)) as connection:
        form = _form(connection, name)
        shape = shape_of(connection)
    if form not in known_forms():
        raise StoreProblem(f"{name} {NEWER.format(found=form, known=HEAD)}; nothing was changed")
    with plainly(name):
        strange = _strange(shape, _shape_of_ours(form))
        if strange:
            raise StoreProblem(f"{name}: {strange}, which valuer never wrote; give a backup of a store")
        odd = _odd_row(URL.create("sqlite", database=str(copied)))
    if odd:
        raise damaged(name, odd)
    with closing(sqlite3.connect(copied)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
    make_durable(copied)


def _odd_row(url: URL) -> str | None:
    """Bring a store to the present form and look for a row that cannot be read."""
    upgrade(url)
    engine = connect(url)
    try:
        with engine.connect() as opened:
            return odd_row(opened)
    finally:
        engine.dispose()


def _form(connection: sqlite3.Connection, name: str) -> str:
    known = connection.execute(
        "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'alembic_version'"
    )
    if not known.fetchone():
        raise StoreProblem(f"{name}: holds no records of machines; give a backup of a store")
    found = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    return str(found[0][0]) if len(found) == 1 else "none"


def shape_of(connection: sqlite3.Connection) -> Shape:
    """What a SQLite file is made of: each table with its columns, keys and indexes; of all else that it is there."""
    shape: Shape = {}
    for kind, name in connection.execute("SELECT type, name FROM sqlite_master WHERE type != 'index'"):
        shape[f"{kind} {name}"] = _table(connection, name) if kind == "table" else None
    return shape


def _table(connection: sqlite3.Connection, name: str) -> object:
    def told(pragma: str, of: str) -> list[tuple[object, ...]]:
        return connection.execute(f"SELECT * FROM {pragma}(?)", (of,)).fetchall()  # noqa: S608 - a name of ours

    indexes = {
        row[1]: (row[2:], told("pragma_index_xinfo", str(row[1]))) for row in told("pragma_index_list", name)
    }
    return told("pragma_table_xinfo", name), sorted(told("pragma_foreign_key_list", name)), indexes


def _shape_of_ours(form: str) -> Shape:
    """The shape of a store of ours of that form, made on the spot."""
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "made.sqlite"
        upgrade(URL.create("sqlite", database=str(made)), to=form)
        with closing(reader(made)) as connection:
            return shape_of(connection)


def _strange(found: Shape, ours: Shape) -> str:
    """What differs, in words; empty where nothing does."""
    for name in sorted({*found, *ours}):
        if name not in ours:
            return f"holds the {name}"
        if name not in found:
            return f"lacks the {name}"
        if found[name] != ours[name]:
            return f"has another {name}"
    return ""
