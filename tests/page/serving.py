"""The real server on a free port, and a browser that can reach nothing else."""

import os
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn
from playwright.sync_api import Browser, ViewportSize, sync_playwright

from api.app import LOOPBACK_ONLY, create_app
from api.door import Door
from valuer.adviser import Adviser
from valuer.cli import lan
from valuer.cli.server import EVERY_INTERFACE, HOST, demo_book, free_socket
from valuer.clock import now, today
from valuer.records.store.store import Store, open_store

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
PHONE: ViewportSize = {"width": 360, "height": 740}
DESK: ViewportSize = {"width": 1600, "height": 1000}


def chromium() -> str | None:
    """Where Debian's browser is, if it is installed."""
    return os.environ.get("VALUER_CHROMIUM") or shutil.which("chromium")


@contextmanager
def browser() -> Iterator[Browser]:
    """A headless Chromium; raises where there is none."""
    path = chromium()
    if path is None:
        raise FileNotFoundError("the page's tests need Debian's chromium: apt-get install chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield started
        started.close()


class Served:
    """A server that can be stopped and started again on the same port, as a real one would be."""

    def __init__(self, adviser: Adviser, store: Store, door: Door, host: str) -> None:
        self._app = create_app(adviser, store, door)
        self._host = host
        self.port = 0
        self.start()

    @property
    def url(self) -> str:
        """Where the page is."""
        return f"http://{lan.address() if self._host == EVERY_INTERFACE else self._host}:{self.port}"

    def start(self) -> None:
        """Answer again."""
        self._bound = free_socket(self.port, self._host)
        self.port = self._bound.getsockname()[1]
        self._server = uvicorn.Server(
            uvicorn.Config(self._app, log_level="critical", timeout_graceful_shutdown=1)
        )
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._bound]}, daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Answer no more."""
        self._server.should_exit = True
        self._thread.join(timeout=10)
        self._bound.close()


@contextmanager
def serving(
    adviser: Adviser, folder: Path, *, demo: bool = True, door: Door = LOOPBACK_ONLY, host: str = HOST
) -> Iterator[Served]:
    """The server over records in a folder, with the demo bench on them if wanted."""
    store = open_store(now(), str(folder / "records.sqlite"))
    if demo:
        store.add(demo_book(today()), now())
    served = Served(adviser, store, door, host)
    try:
        yield served
    finally:
        served.stop()
        store.close()
