"""Bringing a store to the present form, in one transaction: wholly, or not at all."""

from pathlib import Path
from typing import Any

from alembic.config import Config
from alembic.runtime.environment import EnvironmentContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection

from valuer.records.store.opening import connect, file_of
from valuer.records.store.problems import StoreProblem
from valuer.records.store.tables import metadata

REVISIONS = Path(__file__).parent / "revisions"


def known_forms(revisions: Path = REVISIONS) -> tuple[str, ...]:
    """The revisions there are, newest first."""
    return tuple(script.revision for script in _scripts(revisions).walk_revisions())


def _scripts(revisions: Path) -> ScriptDirectory:
    return ScriptDirectory(str(revisions), version_locations=[str(revisions)])


def upgrade(url: URL, revisions: Path = REVISIONS, to: str = "head") -> None:
    """Run the revisions that the store lacks, up to one of them.

    Foreign keys are off meanwhile: rebuilding a SQLite table drops the old one, and its children would go
    with it. They are checked before the commit.
    """
    engine = connect(url, foreign_keys=False).execution_options(writes=True)
    try:
        with engine.begin() as connection:
            _run(connection, _scripts(revisions), to, batch=file_of(url) is not None)
            _check_references(connection)
    finally:
        engine.dispose()


def _run(connection: Connection, scripts: ScriptDirectory, to: str, *, batch: bool) -> None:
    def steps(revision: Any, _context: Any) -> Any:
        return scripts._upgrade_revs(to, revision)  # noqa: SLF001 - the way Alembic's own commands do it

    with EnvironmentContext(Config(), scripts, fn=steps) as environment:
        environment.configure(connection=connection, target_metadata=metadata, render_as_batch=batch)
        environment.run_migrations()


def _check_references(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        orphans = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
        if orphans:
            raise StoreProblem(f"the store's {orphans[0][0]} lost what they belong to; nothing was changed")
