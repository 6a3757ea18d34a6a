"""Deeds made while the server is away, with kills between: a browser of its own folder, a server as a process."""

import os
import signal
import subprocess
import sys
import time
import urllib.request
from contextlib import suppress
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, BrowserType, Page, expect

from tests.page.scenario import call
from tests.page.serving import FLAGS, PHONE, chromium
from valuer.cli.server import free_socket

SERVE = """
import sys
from pathlib import Path
import uvicorn
from api.app import create_app
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.cli.server import free_socket
from valuer.clock import now
from valuer.records.store.store import open_store
store = open_store(now(), sys.argv[1])
bound = free_socket(int(sys.argv[2]))
uvicorn.Server(uvicorn.Config(create_app(Adviser(FakeModel()), store), log_level="critical")).run(sockets=[bound])
"""


KEPT = """() => new Promise((done) => {
  const asked = indexedDB.open('valuer', 1);
  asked.onsuccess = () => {
    const all = asked.result.transaction('deeds').objectStore('deeds').getAll();
    all.onsuccess = () => { asked.result.close(); done(all.result); };
  };
})"""


class Server:
    """The server as a process of its own, so that it can be killed as a power cut would."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "records.sqlite"
        with free_socket(0) as bound:
            port = bound.getsockname()[1]
        self.port = port
        self.url = f"http://127.0.0.1:{port}"
        self.start()

    def start(self) -> None:
        """Start, and wait until it answers."""
        self._process = subprocess.Popen(
            [sys.executable, "-c", SERVE, str(self._file), str(self.port)], stderr=subprocess.DEVNULL
        )
        for _ in range(600):
            try:
                with urllib.request.urlopen(f"{self.url}/health", timeout=2):
                    return
            except OSError:
                time.sleep(0.1)
        raise RuntimeError("the server did not start")

    def kill(self) -> None:
        """End it without a word."""
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()


class Phone:
    """A browser with a folder of its own, which outlives its being killed."""

    def __init__(self, kind: BrowserType, folder: Path, url: str) -> None:
        self._kind = kind
        self._folder = folder
        self._url = url
        self.open()

    def open(self) -> None:
        """Open the page; from the second time on it comes without the server too."""
        self.context: BrowserContext = self._kind.launch_persistent_context(
            str(self._folder), executable_path=chromium(), args=list(FLAGS), viewport=PHONE
        )
        self.context.set_default_timeout(30_000)
        self.page: Page = self.context.pages[0] if self.context.pages else self.context.new_page()
        self.page.goto(f"{self._url}/#/bench")

    def kill(self) -> None:
        """End the browser without a word: every process that has this folder on its command line."""
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit():
                continue
            try:
                line = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if f"--user-data-dir={self._folder}".encode() in line.split(b"\0"):
                os.kill(int(entry.name), signal.SIGKILL)
        with suppress(Exception):  # it is dead; that was wanted
            self.context.close()

    def list_for(self, machine: str, ask: int) -> None:
        """Write down a listed week, as somebody would: the machine, Listed, the price."""
        page = self.page
        page.goto(f"{self._url}/#/machine/{machine}")
        expect(page.locator(".deeds button")).to_have_count(4)
        page.get_by_role("button", name="Listed", exact=True).click()
        docket = page.get_by_role("dialog")
        docket.get_by_label("Asked", exact=True).fill(str(ask))
        docket.get_by_role("button", name="Write it down").click()
        expect(page.get_by_role("dialog")).to_have_count(0)

    def pass_check(self, machine: str, check: str) -> None:
        """Tap a check as passed."""
        page = self.page
        page.goto(f"{self._url}/#/machine/{machine}/safe")
        page.locator(f"[data-key='{check}']").get_by_role("button", name="passed").click()
        page.wait_for_timeout(200)

    def ready(self) -> None:
        """Wait until the page is kept for when the server is away."""
        self.page.evaluate("() => navigator.serviceWorker.ready.then(() => true)")
        self.page.wait_for_timeout(500)

    def waiting(self) -> list[Any]:
        """The deeds that wait on the device."""
        return list(self.page.evaluate(KEPT))

    def empty(self) -> None:
        """Wait until nothing waits any more."""
        for _ in range(200):
            if not self.waiting():
                return
            self.page.wait_for_timeout(200)
        raise AssertionError(f"still waiting: {self.waiting()}")


def weeks(url: str, machine: str) -> list[Any]:
    """The weeks listed on record."""
    return list(call(url, "GET", f"/v1/machines/{machine}")["entry"]["weeks"])
