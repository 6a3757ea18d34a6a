"""Opening a store: its address, its connection, its health, and its form brought up to date."""

import os
import sqlite3
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from time import sleep
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.exc import ArgumentError, NoSuchModuleError

from valuer.records.store.backups import back_up, check
from valuer.records.store.place import where
from valuer.records.store.problems import NEWER, StoreProblem, plainly
from valuer.records.store.tables import HEAD

BUSY_MS = 5000
CONNECT_S = 10
CHECKED_UP_TO_MB = 20  # every store of one bench; a larger one is checked when it is backed up
ONE_WRITER = 5_021_951  # a number of our own for the advisory lock that makes writers queue, as SQLite's do


def address(given: str | None = None) -> URL:
    """The store's address: what was given, else the variable VALUER_STORE, else a file in the data folder.

    A path stands for a SQLite file; ``postgresql://`` uses the driver of the extra ``postgresql``.
    """
    told = where(given)
    if "://" not in told:
        return URL.create("sqlite", database=told)
    try:
        url = make_url(told)
    except ArgumentError:
        raise StoreProblem(
            f"store: expected a path or a database address, got {told.split('@')[-1]!r}"
        ) from None
    return url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url


def file_of(url: URL) -> Path | None:
    """The SQLite file behind an address; None for a server."""
    return Path(url.database) if url.get_backend_name() == "sqlite" and url.database else None


def name_of(url: URL) -> str:
    """What the store is called in messages; never its password."""
    file = file_of(url)
    return file.name if file else url.render_as_string(hide_password=True).split("?")[0]


def connect(url: URL, *, foreign_keys: bool = True) -> Engine:
    """An engine whose writers queue and whose transactions are whole, DDL included."""
    server = file_of(url) is None
    try:
        engine = create_engine(
            url, pool_pre_ping=server, connect_args={"connect_timeout": CONNECT_S} if server else {}
        )
    except (NoSuchModuleError, ImportError):
        what = "pip install 'valuer[postgresql]'" if "postgresql" in url.drivername else "its driver"
        raise StoreProblem(f"store: no driver for {url.drivername} is installed; install {what}") from None
    if file_of(url):
        _sqlite(engine, foreign_keys=foreign_keys)
    else:
        event.listen(engine, "begin", _queue_on_server)
    return engine


def _sqlite(engine: Engine, *, foreign_keys: bool) -> None:
    def on_connect(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves, or DDL would not roll back
        connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        connection.execute(f"PRAGMA foreign_keys={'ON' if foreign_keys else 'OFF'}")
        _log_ahead(connection)
        connection.execute("PRAGMA synchronous=FULL")  # what was acknowledged outlives a power cut

    event.listen(engine, "connect", on_connect)
    event.listen(engine, "begin", _begin)


def _log_ahead(connection: sqlite3.Connection) -> None:
    """Write ahead in a log. SQLite itself does not wait where another opens the new file at the same moment."""
    for again in reversed(range(10)):
        try:
            connection.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as error:
            if not again or "locked" not in str(error):
                raise
            sleep(BUSY_MS / 10_000)
        else:
            return


def _begin(connection: Any) -> None:
    writes = connection.get_execution_options().get("writes")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _queue_on_server(connection: Any) -> None:
    if connection.dialect.name != "postgresql":
        return
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = {BUSY_MS}")  # nobody waits without an end
    if connection.get_execution_options().get("writes"):
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({ONE_WRITER})")


def opened(url: URL, now: datetime) -> Engine:
    """A healthy store of the present form; a file of an older form is copied to the backups first.

    Raises StoreProblem: damaged, newer than this valuer, not to be opened.
    """
    file, name = file_of(url), name_of(url)
    if file:
        _look_at(file, name)
    engine = connect(url)
    with plainly(name):
        found = form(engine)
        if found == HEAD:
            return engine
        from valuer.records.store.migrate import known_forms, upgrade

        if found is not None and found not in known_forms():
            raise StoreProblem(f"{name} {NEWER.format(found=found, known=HEAD)}; nothing was changed")
        if file and found is not None:
            back_up(file, now, "before-migration")
        upgrade(url)
    return engine


def _look_at(file: Path, name: str) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with suppress(
            FileExistsError
        ):  # a new one is for its owner only; SQLite alone would let everybody read it
            os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        size = file.stat().st_size
    except OSError as error:
        raise StoreProblem(f"{name}: {(error.strerror or str(error)).lower()}; give another path") from None
    if 0 < size <= CHECKED_UP_TO_MB * 1_000_000:
        check(file)


def form(engine: Engine) -> str | None:
    """The revision of the store; None for one that holds nothing yet."""
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()
        return None if found is None else str(found)
