"""Looking at a store without changing it: nothing is made, brought up to date, or locked."""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

from sqlalchemy import URL, Engine, create_engine

from valuer.records.store.odd_rows import odd_row
from valuer.records.store.opening import connect, file_of, name_of
from valuer.records.store.problems import damaged, plainly, told
from valuer.records.store.tables import HEAD

Ask = Callable[[str], Any]
"""A query of one value -> that value."""


class Examined(NamedTuple):
    """What stands in a store: its form, its machines, when the newest change was written (UTC)."""

    form: str
    machines: int
    newest: datetime | None


def examine(url: URL) -> Examined | None:
    """What stands in the store, every page of a file checked; None where there is none yet.

    Raises StoreProblem: damaged, not to be opened, or no store of records.
    """
    file = file_of(url)
    return _server(url) if file is None else _file(file) if file.exists() else None


def _file(file: Path) -> Examined:
    there = Path(os.path.realpath(file))
    log = there.with_name(f"{there.name}-wal")
    # Without a log nobody writes, and a file read as unchangeable leaves no files of SQLite's own beside it.
    how = "mode=ro" if log.exists() else "mode=ro&immutable=1"

    def opened() -> sqlite3.Connection:
        return sqlite3.connect(f"file:{quote(str(there))}?{how}", uri=True, timeout=5)

    try:
        with closing(opened()) as connection:
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            if found != "ok":
                raise damaged(file.name, " ".join(str(found).split())[:120])
            examined = _read(lambda query: connection.execute(query).fetchone()[0])
    except sqlite3.Error as error:
        raise told(file.name, str(error)) from None
    if examined.form == HEAD:
        _every_row(create_engine("sqlite://", creator=opened), file.name)
    return examined


def _every_row(engine: Engine, name: str) -> None:
    try:
        with plainly(name), engine.connect() as connection:
            odd = odd_row(connection)
    finally:
        engine.dispose()
    if odd:
        raise damaged(name, odd)


def _server(url: URL) -> Examined:
    engine = connect(url)
    try:
        with plainly(name_of(url)), engine.connect() as connection:
            return _read(lambda query: connection.exec_driver_sql(query).scalar_one())
    finally:
        engine.dispose()


def _read(ask: Ask) -> Examined:
    newest = ask("SELECT max(changed_at) FROM machines")
    moment = datetime.fromisoformat(str(newest)) if newest is not None else None
    return Examined(
        str(ask("SELECT version_num FROM alembic_version")),
        int(ask("SELECT count(*) FROM machines")),
        moment and moment.replace(tzinfo=moment.tzinfo or UTC),
    )
