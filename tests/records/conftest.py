"""Stores to test on: a SQLite file, and a PostgreSQL server that is started for the tests and thrown away."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import make_url

from tests.records.bench import NOW
from valuer.records.store.opening import connect
from valuer.records.store.store import Store, open_store
from valuer.records.store.tables import metadata


def server_binaries() -> Path | None:
    """The folder with PostgreSQL's programs, from the path or from where Debian puts them."""
    found = shutil.which("initdb")
    places = [Path(found).resolve().parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((place for place in places if (place / "pg_ctl").exists()), None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the server's tests out on a developer's machine without a server; in CI they fail instead."""
    if server_binaries() or os.environ.get("CI"):
        return
    left_out = [item for item in items if item.get_closest_marker("server")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


class Server:
    """A PostgreSQL server on a socket of its own, without a network port."""

    def __init__(self, folder: Path) -> None:
        binaries = server_binaries()
        assert binaries, "PostgreSQL's programs are needed: apt-get install postgresql"
        self.folder = folder
        self._binaries = binaries
        self._user = "postgres" if os.geteuid() == 0 else pwd.getpwuid(os.geteuid()).pw_name
        if os.geteuid() == 0:
            shutil.chown(folder, self._user)
        self._run("initdb", "-D", "data", "-A", "trust", "-U", "shop", "--no-sync", "-E", "UTF8")
        self.start()

    def _run(self, program: str, *args: str) -> None:
        subprocess.run(
            [self._binaries / program, *args],
            cwd=self.folder,
            user=self._user if os.geteuid() == 0 else None,
            check=True,
            stdout=subprocess.DEVNULL,
        )

    def start(self) -> None:
        """Start and wait until it answers."""
        options = f"-k {self.folder} -c listen_addresses= -c fsync=off"
        self._run("pg_ctl", "-D", "data", "-w", "-l", "log", "-o", options, "start")

    def stop(self, mode: str = "immediate") -> None:
        """Stop at once, as in a crash; or `fast`, hanging up on whoever is connected."""
        self._run("pg_ctl", "-D", "data", "-w", "-m", mode, "stop")

    @property
    def url(self) -> str:
        """The address, as a user would write it."""
        return f"postgresql://shop@/postgres?host={self.folder}"


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """One server for the whole run."""
    with tempfile.TemporaryDirectory(prefix="shop-") as folder:  # a socket's path must be short
        Path(folder).chmod(0o755)
        running = Server(Path(folder))
        yield running
        running.stop()


def emptied(server: Server) -> str:
    """The server's address, with nothing in its database."""
    engine = connect(make_url(server.url).set(drivername="postgresql+psycopg"))
    with engine.begin() as connection:
        metadata.drop_all(connection)
        connection.exec_driver_sql("DROP TABLE IF EXISTS alembic_version")
    engine.dispose()
    return server.url


@pytest.fixture
def emptied_server(server: Server) -> Callable[[], str]:
    """The server's address, with nothing in its database each time it is asked for."""
    return lambda: emptied(server)


@pytest.fixture(params=["file", pytest.param("server", marks=pytest.mark.server)])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a store that does not exist yet, on a file and on a server."""
    if request.param == "file":
        return str(tmp_path / "records.sqlite")
    return emptied(request.getfixturevalue("server"))


@pytest.fixture
def store(address: str) -> Iterator[Store]:
    """An empty store."""
    opened = open_store(NOW, address)
    yield opened
    opened.close()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The path of a SQLite store that does not exist yet."""
    return tmp_path / "records.sqlite"
