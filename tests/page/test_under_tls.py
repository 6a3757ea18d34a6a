"""The page over TLS: kept for when the server is away where the certificate is trusted, elsewhere not shown."""

import base64
import hashlib
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from playwright.sync_api import Browser, BrowserContext, Error, expect

from api.door import COOKIE
from tests.page.offline import KEPT
from tests.page.serving import FLAGS, PHONE, chromium
from valuer.cli.server import demo_book
from valuer.clock import now, today
from valuer.records.store.store import open_store

ROOT = Path(__file__).resolve().parents[2]
AWAY = "() => navigator.serviceWorker.ready.then(() => caches.keys()).then((names) => names.length)"


class House:
    """The real `valuer serve --lan` as a process, the demo bench on its records; it can be killed and started again."""

    def __init__(self, folder: Path) -> None:
        self.store = folder / "records.sqlite"
        self._said = folder / "said.txt"
        self._around = {**os.environ, "XDG_DATA_HOME": str(folder / "data"), "PYTHONUNBUFFERED": "1"}
        self.certificate = folder / "data" / "valuer" / "lan_certificate.pem"
        store = open_store(now(), str(self.store))
        store.add(demo_book(today()), now())
        store.close()
        self.start("0")
        self.url, self.entrance = self._told(r"(https://[0-9.]+:\d+)/(#/enter/\S+)")

    def start(self, port: str = "") -> None:
        """Start, and wait until it says where it is."""
        port = port or self.url.rpartition(":")[2]
        command = [
            sys.executable,
            "-m",
            "valuer",
            "serve",
            "--lan",
            "--port",
            port,
            "--store",
            str(self.store),
        ]
        with self._said.open("wb") as said:
            self._process = subprocess.Popen(
                command, env=self._around, stdout=said, stderr=subprocess.DEVNULL, cwd=ROOT
            )
        self._told(r"(On the phone)")

    def _told(self, pattern: str) -> tuple[str, ...]:
        for _ in range(600):
            found = re.search(pattern, self._said.read_text("utf-8"))
            if found:
                return found.groups()
            time.sleep(0.1)
        raise AssertionError(self._said.read_text("utf-8"))

    def kill(self) -> None:
        """End it without a word."""
        self._process.kill()
        self._process.wait()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A server for the network under TLS."""
    running = House(tmp_path)
    yield running
    running.kill()


def key_of(file: Path) -> str:
    """SHA-256 of the certificate's public key, as Chromium is told which one to trust."""
    found = x509.load_pem_x509_certificate(file.read_bytes()).public_key()
    told = found.public_bytes(serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
    return base64.b64encode(hashlib.sha256(told).digest()).decode()


@contextmanager
def phone(chrome: Browser, folder: Path, key: str) -> Iterator[BrowserContext]:
    """A browser whose owner has compared the fingerprint, and gone on."""
    trusts = f"--ignore-certificate-errors-spki-list={key}"
    context = chrome.browser_type.launch_persistent_context(
        str(folder), executable_path=chromium(), args=[*FLAGS, trusts], viewport=PHONE
    )
    context.set_default_timeout(30_000)
    yield context
    context.close()


def test_where_the_certificate_is_trusted_the_page_works_while_the_server_is_away(
    house: House, chrome: Browser, tmp_path: Path
) -> None:
    with phone(chrome, tmp_path / "phone", key_of(house.certificate)) as context:
        page = context.pages[0]
        page.goto(f"{house.url}/{house.entrance}")
        expect(page.locator(".row-name")).to_have_count(10)
        assert page.url.startswith("https://"), "the way a phone comes"
        assert page.evaluate("isSecureContext")
        assert page.evaluate(AWAY) > 0, "the page is kept"
        (cookie,) = context.cookies()
        assert (cookie["name"], cookie["secure"], cookie["httpOnly"]) == (COOKIE, True, True)
        page.reload()  # what was seen before the page was kept is asked for again
        expect(page.locator(".row-name")).to_have_count(10)
        page.goto(f"{house.url}/#/machine/scraper")
        expect(page.locator(".deeds button")).to_have_count(4)
        page.wait_for_timeout(500)
        house.kill()
        page.goto(f"{house.url}/#/bench")
        page.reload()
        expect(page.locator(".row-name")).to_have_count(10)
        page.goto(f"{house.url}/#/machine/scraper")
        page.get_by_role("button", name="Listed", exact=True).click()
        docket = page.get_by_role("dialog")
        docket.get_by_label("Asked", exact=True).fill("88")
        docket.get_by_role("button", name="Write it down").click()
        expect(page.get_by_role("dialog")).to_have_count(0)
        assert len(page.evaluate(KEPT)) == 1, "it waits on the device"
        house.start()
        page.reload()
        for _ in range(200):
            if not page.evaluate(KEPT):
                break
            page.wait_for_timeout(100)
        assert not page.evaluate(KEPT)
    store = open_store(now(), str(house.store))
    (week,) = next(kept.entry for kept in store.entries() if kept.entry.id == "scraper").weeks
    store.close()
    assert week.ask == 88


def test_where_it_is_not_the_browser_shows_nothing(house: House, chrome: Browser) -> None:
    """A certificate that nobody vouches for: not one byte of the page is run."""
    context = chrome.new_context()
    page = context.new_page()
    with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
        page.goto(house.url)
    context.close()


def test_another_certificate_than_the_trusted_one_is_refused(
    house: House, chrome: Browser, tmp_path: Path
) -> None:
    """Somebody in between shows a key of his own."""
    other = base64.b64encode(hashlib.sha256(b"another key").digest()).decode()
    with (
        phone(chrome, tmp_path / "phone", other) as context,
        pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"),
    ):
        context.pages[0].goto(house.url)
