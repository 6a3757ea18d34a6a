"""The server of `valuer serve`: on a port that is known to be free before anything is said; loopback unless asked."""

import logging
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import click
import uvicorn

from api.app import create_app
from api.devices import Devices
from api.door import Door
from api.journal import AsJson
from valuer.adviser import Adviser
from valuer.cli import lan
from valuer.clock import now, today
from valuer.demo import demo_bench
from valuer.records.bench import taken
from valuer.records.entries import Book
from valuer.records.store.store import Store, open_store

HOST = "127.0.0.1"  # this computer only
EVERY_INTERFACE = "0.0.0.0"  # noqa: S104 - only where --lan asks for it, behind a token


def free_socket(port: int, host: str = HOST) -> socket.socket:
    """A socket bound to the port, any free one for 0; raises ClickException when it is taken."""
    # Named as TCP, or asyncio leaves small writes to wait for each other, and every answer takes 40 ms longer.
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((host, port))
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


def run(
    adviser: Adviser, bound: socket.socket, store: Store | None = None, token: lan.Token | None = None
) -> None:
    """Serve until stopped; with a store, the records too; with a token, whoever brings it."""
    port = bound.getsockname()[1]
    here = f"http://{HOST}:{port}"
    # Words stand on standard output and the log on standard error, so the token is never among the log's lines.
    click.echo(f"The bench page: {here}/  JSON: {here}/v1, described in /openapi.json. Ctrl-C stops.")
    if token is None:
        door = Door(port=port)
    else:
        let_in = Devices(lan.devices_file(), f"http://{lan.address()}:{port}/")
        if token.shown is not None:
            let_in.shut_all_out()  # a new token is for devices that are let in anew
        door = Door(lan.names(), port, token.sha256, let_in)
        click.echo(lan.invitation(port, token))
    log_as_json()
    server(adviser, store, door).run(sockets=[bound])


def server(adviser: Adviser, store: Store | None, door: Door) -> uvicorn.Server:
    """The server itself: it believes no header about who asks, and writes no addresses down."""
    settings = uvicorn.Config(
        create_app(adviser, store, door),
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        h11_max_incomplete_event_size=16_384,
    )
    return uvicorn.Server(settings)


def log_as_json() -> None:
    """One line of JSON on standard error for each request, and for whatever else the server has to say."""
    lines = logging.StreamHandler()
    lines.setFormatter(AsJson())
    for name, level in (("valuer.requests", logging.INFO), ("uvicorn", logging.WARNING)):
        log = logging.getLogger(name)
        log.handlers, log.propagate = [lines], False
        log.setLevel(level)
