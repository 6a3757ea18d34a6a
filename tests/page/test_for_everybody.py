"""By keyboard, by screen reader, on a small phone and a wide desk, on paper, and quick to load."""

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, ViewportSize, expect

from tests.fake_model import FakeModel
from tests.page.conftest import Opened
from tests.page.scenario import sell_some
from tests.page.serving import DESK, PHONE, Served, serving
from tests.page.test_the_whole_job import settled
from valuer.adviser import Adviser

VIEWS = [
    "#/bench",
    "#/machine/scraper",
    "#/machine/scraper/worth",
    "#/machine/stump-hit/work",
    "#/machine/stump-hit/safe",
    "#/machine/scraper/ask",
    "#/machine/scraper/offer",
    "#/machine/scraper/advert",
    "#/machine/scraper/past",
    "#/machine/scraper/more",
    "#/own",
    "#/take",
    "#/measure/night-weep",
    "#/sold",
    "#/model",
]


@pytest.fixture(scope="module")
def looked_at() -> Iterator[Served]:
    """A server with some sales, so that no view is empty; how the page looks is no matter of statistics."""
    with tempfile.TemporaryDirectory() as folder, serving(Adviser(FakeModel()), Path(folder)) as running:
        sell_some(running.url)
        yield running


@pytest.fixture(scope="module", params=VIEWS)
def view(request: pytest.FixtureRequest, chrome: Browser, looked_at: Served) -> Iterator[Page]:
    """One view with everything on it opened, loaded once for the tests that look at it."""
    context = chrome.new_context(viewport=PHONE)
    context.set_default_timeout(60_000)
    page = context.new_page()
    page.goto(f"{looked_at.url}/{request.param}")
    settled(page)
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    yield page
    context.close()


def violations(page: Page) -> list[str]:
    """What axe finds, one line a rule."""
    found = Axe().run(page).response["violations"]
    return [f"{rule['id']}: {rule['nodes'][0]['html'][:150]} ({len(rule['nodes'])})" for rule in found]


@pytest.mark.parametrize(("size", "light"), [(PHONE, "light"), (DESK, "dark")])
def test_axe_finds_nothing(view: Page, size: ViewportSize, light: Literal["light", "dark"]) -> None:
    view.set_viewport_size(size)
    view.emulate_media(color_scheme=light)
    assert violations(view) == []


@pytest.mark.parametrize(("size", "light"), [(PHONE, "light"), (DESK, "dark")])
def test_twice_the_size_of_text_scrolls_no_view_sideways(
    view: Page, size: ViewportSize, light: Literal["light", "dark"]
) -> None:
    view.set_viewport_size(size)
    view.emulate_media(color_scheme=light)
    view.evaluate("document.documentElement.style.fontSize = '200%'")
    view.wait_for_timeout(150)
    wide = view.evaluate("document.documentElement.scrollWidth")
    view.evaluate("document.documentElement.style.fontSize = ''")
    assert wide <= size["width"]


@pytest.mark.parametrize("width", [360, 768, 1600])
def test_nothing_is_cut_off_and_nothing_to_tap_is_under_44_px(view: Page, width: int) -> None:
    view.set_viewport_size({"width": width, "height": 800})
    view.wait_for_timeout(100)  # pictures are drawn again to their new width
    assert view.evaluate("document.documentElement.scrollWidth") <= width
    # Links inside a sentence are exempt (WCAG 2.2, success criterion 2.5.8, inline).
    small = view.evaluate(
        """() => [...document.querySelectorAll(
          'button, summary, select, input, nav a, a.act, label.act, a.row-name, a.line-name')]
        .filter((each) => each.checkVisibility() && each.type !== 'checkbox' && each.type !== 'file')
        .map((each) => [each.outerHTML.slice(0, 90), each.getBoundingClientRect()])
        .filter(([, box]) => box.height < 43.5 || box.width < 43.5).map(([what]) => what)"""
    )
    assert small == []


def test_axe_finds_nothing_in_a_docket(looked_at: Served, opened: Opened) -> None:
    page = opened(looked_at, "#/machine/scraper").page
    settled(page)
    page.get_by_role("button", name="Sold", exact=True).click()
    page.get_by_role("dialog").wait_for()
    assert violations(page) == []


def test_the_whole_way_to_a_machine_and_a_sale_by_keyboard(looked_at: Served, opened: Opened) -> None:
    page = opened(looked_at, "#/bench", "desk").page
    settled(page)
    page.keyboard.press("Tab")
    expect(page.locator("#skip")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#main")).to_be_focused()
    for _ in range(30):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches('.row-name')"):
            break
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_be_focused()  # a new view is read from its head
    settled(page)
    for _ in range(15):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Listed":
            break
    page.keyboard.press("Enter")
    page.get_by_role("dialog").wait_for()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(page.get_by_role("button", name="Listed")).to_be_focused()


def test_a_slider_moves_by_arrow_keys(looked_at: Served, opened: Opened) -> None:
    page = opened(looked_at, "#/bench", "desk").page
    settled(page)
    page.get_by_label("Hours free").focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator("output").first).to_have_text("6.5 h")


def test_paper_gets_the_sheet_for_the_handle_alone(looked_at: Served, opened: Opened) -> None:
    page = opened(looked_at, "#/machine/stump-hit/advert").page
    settled(page)
    expect(page.locator(".sheet")).to_be_hidden()
    page.emulate_media(media="print")
    expect(page.locator(".sheet")).to_be_visible()
    expect(page.locator(".sheet")).to_contain_text("Do not run.")  # not for sale as working
    expect(page.get_by_role("button", name="Sold", exact=True)).to_be_hidden()
    expect(page.locator(".draft, .line-answer").first).to_be_hidden()
    assert page.evaluate("document.body.innerText").strip().startswith("stump-hit")


def test_the_first_load_is_under_120_kb_in_all(looked_at: Served, opened: Opened) -> None:
    watched = opened(looked_at, "#/sold")
    settled(watched.page)
    sizes: list[int] = []
    watched.page.on("requestfinished", lambda request: sizes.append(request.sizes()["responseBodySize"]))
    watched.page.goto(f"{looked_at.url}/?fresh#/bench")
    settled(watched.page)
    watched.page.wait_for_timeout(200)
    assert len(sizes) > 10
    assert sum(sizes) < 120_000


def test_the_pictures_of_the_card_are_seen_and_told(opened: Opened, looked_at: Served) -> None:
    """Each is drawn as wide as its place, and has words for whoever cannot see it."""
    page = opened(looked_at, "#/model").page
    page.get_by_text("The whole card").click()
    shown = page.locator(".card img")
    expect(shown.first).to_be_visible()
    told = shown.evaluate_all(
        "(all) => Promise.all(all.map(async (one) => { await one.decode(); return [one.alt, one.naturalWidth]; }))"
    )
    assert len(told) >= 3
    assert all(alt and width for alt, width in told)
