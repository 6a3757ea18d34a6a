"""A browser, the real server over the demo bench, and pages whose every request and complaint is noted."""

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, expect

from tests.page.serving import DESK, PHONE, Served, browser, chromium, serving
from valuer.adviser import Adviser
from valuer.price_model.mower import MowerModel

expect.set_options(timeout=60_000)  # a busy machine is no fault of the page

SIZES = {"phone": PHONE, "desk": DESK}


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the browser's tests out on a developer's machine without chromium; in CI they fail instead."""
    if chromium() or os.environ.get("CI"):
        return
    here = Path(__file__).parent
    left_out = [item for item in items if here in item.path.parents]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


@pytest.fixture(scope="session")
def chrome() -> Iterator[Browser]:
    """One headless Chromium for the whole run."""
    with browser() as started:
        yield started


@pytest.fixture(scope="session")
def adviser(mower_model: MowerModel) -> Adviser:
    """The real model behind the page."""
    return Adviser(mower_model)


@pytest.fixture
def served(adviser: Adviser, tmp_path: Path) -> Iterator[Served]:
    """A server of the test's own, the demo bench on its records."""
    with serving(adviser, tmp_path) as running:
        yield running


@pytest.fixture
def bare(adviser: Adviser, tmp_path: Path) -> Iterator[Served]:
    """A server with nothing on its records."""
    with serving(adviser, tmp_path, demo=False) as running:
        yield running


@pytest.fixture(scope="session")
def standing(adviser: Adviser) -> Iterator[Served]:
    """One server over the demo bench for tests that only look."""
    with tempfile.TemporaryDirectory() as folder, serving(adviser, Path(folder)) as running:
        yield running


class Watched:
    """A page with everything it asked for and every complaint it made."""

    def __init__(self, context: BrowserContext, allowed: str) -> None:
        self.page: Page = context.new_page()
        self.allowed = allowed
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.expected: tuple[str, ...] = ("Service Worker registration blocked",)
        self.page.on("request", self._ask)
        self.page.on("console", self._say)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _ask(self, request: Request) -> None:
        self.asked.append(request.url)

    def _say(self, message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"}:
            self.complaints.append(message.text)

    def verify(self) -> None:
        """No request left this server; nothing was complained about but what the test expects."""
        assert [url for url in self.asked if not url.startswith((self.allowed, "data:"))] == []
        assert [c for c in self.complaints if not any(known in c for known in self.expected)] == []


Opened = Callable[..., Watched]


@pytest.fixture
def opened(chrome: Browser) -> Iterator[Opened]:
    """Open the page of a server at a view; at the end every page is verified."""
    pages: list[Watched] = []

    def open_at(server: Served, where: str = "#/bench", size: str = "phone", **more: Any) -> Watched:
        # What a test answers in the server's place, a page's worker would ask the server for.
        more = {"service_workers": "block", **more}
        context = chrome.new_context(viewport=SIZES[size], has_touch=size == "phone", **more)
        context.set_default_timeout(60_000)
        watched = Watched(context, server.url)
        pages.append(watched)
        watched.page.goto(f"{server.url}/{where}")
        return watched

    yield open_at
    for watched in pages:
        with suppress(Exception):
            watched.page.context.close()
    for watched in pages:
        watched.verify()
