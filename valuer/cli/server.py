"""The server of `valuer serve`: loopback only, on a port that is known to be free before anything is said."""

import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import click
import uvicorn

from api.app import create_app
from valuer.adviser import Adviser
from valuer.clock import now, today
from valuer.demo import demo_bench
from valuer.records.bench import taken
from valuer.records.entries import Book
from valuer.records.store.store import Store, open_store

HOST = "127.0.0.1"  # this computer only; serving a network needs guards that are not here


def free_socket(port: int) -> socket.socket:
    """A socket bound to the port, any free one for 0; raises ClickException when it is taken."""
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((HOST, port))
        bound.listen()
    except OSError as error:
        bound.close()
        raise click.ClickException(
            f"--port: {port} cannot be used ({(error.strerror or str(error)).lower()}); "
            "choose another, or 0 for any free one"
        ) from None
    return bound


def demo_book(day: date) -> Book:
    """The ten invented machines as if they had all been taken in on a day."""
    return Book(machines=tuple(taken(None, machine, day) for machine in demo_bench()[1]))


@contextmanager
def demo_records() -> Iterator[Store]:
    """Records that hold the demo bench and are gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(now(), str(Path(folder) / "demo.sqlite"))
        try:
            store.add(demo_book(today()), now())
            yield store
        finally:
            store.close()


def run(adviser: Adviser, bound: socket.socket, store: Store | None = None) -> None:
    """Serve until stopped; with a store, the records too."""
    host, port = bound.getsockname()
    here = f"http://{host}:{port}"
    click.echo(
        f"The bench page: {here}/  JSON: {here}/v1, described in /openapi.json. Ctrl-C stops.", err=True
    )
    uvicorn.Server(uvicorn.Config(create_app(adviser, store), log_level="warning")).run(sockets=[bound])
