"""A phone on the network: in by the address that was shown, out without it, and the token nowhere in sight."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from api.devices import Devices
from api.door import COOKIE, Door
from tests.fake_model import FakeModel
from tests.page.conftest import Opened
from tests.page.serving import Served, serving
from tests.page.test_the_whole_job import settled
from valuer.adviser import Adviser
from valuer.cli import lan
from valuer.cli.server import EVERY_INTERFACE

REFUSED = "Failed to load resource"  # the browser's own line about a failed request


@pytest.fixture
def token(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> lan.Token:
    """A token made as `valuer serve --lan` makes it."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return lan.token(renew=False)


@pytest.fixture
def open_house(token: lan.Token, tmp_path: Path) -> Iterator[Served]:
    """A server for the network, the demo bench on its records."""
    door = Door(lan.names(), None, token.sha256)
    with serving(Adviser(FakeModel()), tmp_path, door=door, host=EVERY_INTERFACE) as running:
        yield running


def invited(server: Served, token: lan.Token) -> str:
    """What stands behind the server's address in the invitation."""
    told = lan.invitation(server.port, token)
    found = re.search(r"http://[^/\s]+/(#/enter/\S+)", told)
    assert found
    assert found[0].startswith(server.url)
    return found[1]


def test_the_address_that_was_shown_lets_a_phone_in_for_good(
    open_house: Served, token: lan.Token, opened: Opened
) -> None:
    assert "127.0.0.1" not in open_house.url, "the way a phone comes"
    watched = opened(open_house, invited(open_house, token))
    page = watched.page
    settled(page)
    expect(page.locator(".row-name")).to_have_count(10)
    assert page.url == f"{open_house.url}/#/bench"
    assert token.shown
    assert all(token.shown not in url for url in watched.asked)
    assert token.shown not in page.content() + page.evaluate("document.cookie + JSON.stringify(localStorage)")
    (cookie,) = page.context.cookies()
    assert (cookie["name"], cookie["httpOnly"], cookie["sameSite"]) == (COOKIE, True, "Strict")
    page.reload()
    settled(page)
    expect(page.locator(".row-name")).to_have_count(10)


@pytest.mark.parametrize("view", ["#/bench", "#/machine/scraper", "#/take", "#/sold", "#/model", "#/own"])
def test_without_it_a_phone_sees_nothing_but_the_way_in(
    open_house: Served, opened: Opened, view: str
) -> None:
    watched = opened(open_house, view)
    watched.expected += (REFUSED,)
    page = watched.page
    expect(page.get_by_role("heading", level=1)).to_have_text("This device is not let in")
    assert page.locator("main").inner_text().count("scraper") == 0


def test_a_wrong_one_is_refused_and_out_of_sight_and_the_right_one_can_be_typed(
    open_house: Served, token: lan.Token, opened: Opened
) -> None:
    watched = opened(open_house, "#/enter/guessed")
    watched.expected += (REFUSED,)
    page = watched.page
    expect(page.get_by_role("heading", level=1)).to_have_text("This device is not let in")
    expect(page.get_by_role("alert").last).to_contain_text("not the one in force")
    assert page.url == f"{open_house.url}/#/bench"
    assert Axe().run(page).response["violations"] == []
    page.get_by_label("Token").fill("guessed again")
    page.get_by_role("button", name="Let it in").click()
    expect(page.get_by_role("alert").last).to_contain_text("not the one in force")
    page.get_by_label("Token").fill(token.shown or "")
    page.get_by_role("button", name="Let it in").click()
    expect(page.locator(".row-name")).to_have_count(10)


def test_a_new_token_shuts_out_devices_that_have_the_old_one(
    open_house: Served, token: lan.Token, opened: Opened, tmp_path: Path
) -> None:
    page = opened(open_house, invited(open_house, token)).page
    settled(page)
    renewed = lan.token(renew=True)
    assert renewed.sha256 != token.sha256
    assert lan.token(renew=False) == lan.Token(renewed.sha256), "kept, and never shown again"
    assert Door(token_sha256=renewed.sha256).opens_to(token.shown) is False
    assert Door(token_sha256=renewed.sha256).opens_to(renewed.shown) is True


def test_devices_let_in_are_listed_and_one_is_shut_out_on_the_page(
    token: lan.Token, opened: Opened, tmp_path: Path
) -> None:
    let_in = Devices(tmp_path / "devices.json", "http://192.0.2.7:8321/")
    door = Door(lan.names(), None, token.sha256, let_in)
    with serving(Adviser(FakeModel()), tmp_path, door=door, host=EVERY_INTERFACE) as server:
        mine, other = (opened(server, f"#/enter/{token.shown}", size) for size in ("desk", "phone"))
        settled(mine.page)
        settled(other.page)
        mine.page.goto(f"{server.url}/#/own")
        listed = mine.page.locator(".device")
        expect(listed).to_have_count(2)
        expect(listed.first).to_contain_text("(this one)")
        mine.page.on("dialog", lambda dialog: dialog.accept())
        listed.nth(1).get_by_role("button", name=re.compile("^Shut .* out$")).click()
        expect(listed).to_have_count(1)
        other.expected += (REFUSED,)
        other.page.reload()
        expect(other.page.get_by_role("heading", level=1)).to_have_text("This device is not let in")
        mine.page.reload()
        expect(mine.page.locator(".device")).to_have_count(1)


def test_a_code_to_photograph_lets_the_next_device_in(
    token: lan.Token, opened: Opened, tmp_path: Path
) -> None:
    let_in = Devices(tmp_path / "devices.json", "")
    door = Door(lan.names(), None, token.sha256, let_in)
    with serving(Adviser(FakeModel()), tmp_path, door=door, host=EVERY_INTERFACE) as server:
        page = opened(server, f"#/enter/{token.shown}", "desk").page
        settled(page)
        page.goto(f"{server.url}/#/own")
        page.get_by_role("button", name="Let a phone in").click()
        expect(page.get_by_role("img", name="Code to photograph with the phone")).to_be_visible()
        invitation = page.locator("[role=status] code").inner_text().rpartition("/")[2]
        phone = opened(server, f"#/enter/{invitation}").page
        settled(phone)
        expect(phone.locator(".row-name")).to_have_count(10)
