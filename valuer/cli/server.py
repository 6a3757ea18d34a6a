"""The server of `valuer serve`: on a port that is known to be free before anything is said; loopback unless asked."""

import ctypes
import errno
import gc
import logging
import socket
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click
import uvicorn

from api.app import create_app
from api.devices import Devices
from api.door import Door
from api.journal import AsJson
from valuer.adviser import Adviser
from valuer.cli import USUAL, lan
from valuer.cli.connections import Bounded, Seldom
from valuer.clock import now, today
from valuer.demo import demo_bench
from valuer.records.bench import taken
from valuer.records.entries import Book
from valuer.records.store.store import Store, open_store

if TYPE_CHECKING:
    from valuer.cli.certificate import Certificate

HOST = "127.0.0.1"  # this computer only
EVERY_INTERFACE = "0.0.0.0"  # noqa: S104 - only where --lan asks for it, behind a token
NEWER_KIND = {HOST: "::1", EVERY_INTERFACE: "::"}
BACKLOG = 128  # connections that wait to be taken
M_ARENA_MAX = -8  # of malloc.h


def free_socket(port: int, host: str = HOST) -> socket.socket:
    """A socket bound to the port, any free one for 0; raises ClickException when it is taken."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Named as TCP, or asyncio leaves small writes to wait for each other, and every answer takes 40 ms longer.
    bound = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    if family == socket.AF_INET6:
        bound.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
    try:
        bound.bind((host, port))
        bound.listen(BACKLOG)
    except OSError as error:
        bound.close()
        raise PortTaken(
            f"--port: {port} cannot be used ({(error.strerror or str(error)).lower()}); "
            "choose another, or 0 for any free one",
            error.errno,
        ) from None
    return bound


class PortTaken(click.ClickException):
    """A port that cannot be had; ``number`` is the system's own for why."""

    def __init__(self, message: str, number: int | None) -> None:
        super().__init__(message)
        self.number = number


def free_sockets(port: int, host: str = HOST) -> tuple[socket.socket, ...]:
    """Sockets on the port for both kinds of address, where this computer has both; raises ClickException.

    A browser that is told ``localhost`` may try the newer kind first, and must not reach another program there.
    """
    first = free_socket(port, host)
    try:
        return first, free_socket(first.getsockname()[1], NEWER_KIND[host])
    except PortTaken as taken:
        if taken.number != errno.EADDRINUSE:  # there is no such kind of address here
            return (first,)
        first.close()
        if port:
            raise
    return free_sockets(port, host)  # any free one was wanted, and this is free on one side only


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
    adviser: Adviser,
    bound: Sequence[socket.socket],
    store: Store | None = None,
    token: lan.Token | None = None,
    *,
    plain: bool = False,
) -> None:
    """Serve until stopped; with a store, the records too; with a token, whoever brings it, under TLS unless plain."""
    port = bound[0].getsockname()[1]
    secured = None if token is None or plain else lan.secured()
    scheme = "https" if secured else "http"
    here = f"{scheme}://{HOST}:{port}"
    # Words stand on standard output and the log on standard error, so the token is never among the log's lines.
    click.echo(f"The bench page: {here}/  JSON: {here}/v1, described in /openapi.json. Ctrl-C stops.")
    if token is None:
        door = Door(port=port)
    else:
        let_in = Devices(lan.devices_file(), f"{scheme}://{lan.address()}:{port}/")
        if token.shown is not None:
            let_in.shut_all_out()  # a new token is for devices that are let in anew
        door = Door(lan.names(), port, token.sha256, let_in)
        click.echo(lan.invitation(port, token, secured))
    log_as_json()
    serving = server(adviser, store, door, secured)
    # What is there now stays. Looked through again and again while a body's values are made, it costs more than they.
    gc.collect()
    gc.freeze()
    # It is not over soon, as a command is: what nothing holds any more must not pile up.
    gc.set_threshold(*USUAL)
    _share_memory()
    serving.run(sockets=list(bound))


def _share_memory() -> None:
    """Let all threads take memory from two heaps, where the C library is GNU's (mallopt(3)); elsewhere do nothing.

    Else every thread that ever worked out an answer keeps a heap of its own, and what was freed in one is of no use to
    the others: measured, a fifth more memory under fifty callers, and growing.
    """
    # No such library, no such call, no way to ask for either.
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).mallopt(M_ARENA_MAX, 2)


def server(
    adviser: Adviser, store: Store | None, door: Door, secured: "Certificate | None" = None
) -> uvicorn.Server:
    """The server itself: it believes no header about who asks, and writes no addresses down."""
    settings = uvicorn.Config(
        create_app(adviser, store, door),
        http=Bounded,
        backlog=BACKLOG,
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        h11_max_incomplete_event_size=16_384,
        ssl_certfile=secured.file if secured else None,
    )
    return uvicorn.Server(settings)


def log_as_json() -> None:
    """One line of JSON on standard error for each request, and for whatever else the server has to say."""
    lines = logging.StreamHandler()
    lines.setFormatter(AsJson())
    seldom = logging.StreamHandler()
    seldom.setFormatter(AsJson())
    seldom.addFilter(Seldom())
    for name, level, to in (
        ("valuer.requests", logging.INFO, lines),
        ("uvicorn", logging.WARNING, seldom),
        ("asyncio", logging.WARNING, seldom),
    ):
        log = logging.getLogger(name)
        log.handlers, log.propagate = [to], False
        log.setLevel(level)
