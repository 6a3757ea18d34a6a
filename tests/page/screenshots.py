"""Pictures of every view, to be looked at: ``python -m tests.page.screenshots FOLDER``.

390 and 1280 px wide, light and dark, and with text at 200 %, over the demo bench with a few invented sales. The folder
stays out of git. With
``--readme`` in its place: the two that stand in the README, as a phone shows them, into tests/page/seen.
"""

import sys
import tempfile
from pathlib import Path
from typing import Literal, get_args

from playwright.sync_api import Browser, Page, ViewportSize, expect

from tests.page.scenario import sell_some
from tests.page.serving import PHONE, browser, serving
from valuer.adviser import Adviser
from valuer.price_model import load_or_train

Light = Literal["light", "dark"]
LIGHTS: tuple[Light, ...] = get_args(Light)
SIZES: dict[str, ViewportSize] = {
    "phone": {"width": 390, "height": 844},
    "desk": {"width": 1280, "height": 800},
}
SEEN = Path(__file__).parent / "seen"

VIEWS = {
    "bench": "#/bench",
    "machine": "#/machine/scraper",
    "unsafe": "#/machine/stump-hit",
    "safe": "#/machine/stump-hit/safe",
    "ask": "#/machine/scraper/ask",
    "take": "#/take",
    "measure": "#/measure/night-weep",
    "sold": "#/sold",
    "model": "#/model",
    "own": "#/own",
}


def main(arguments: list[str]) -> int:
    """Write a picture a view, size and light; exit 2 where no folder is named."""
    if len(arguments) != 1:
        sys.stderr.write("expected one folder for the pictures, or --readme\n")
        return 2
    for_readme = arguments == ["--readme"]
    folder = SEEN if for_readme else Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as records,
        serving(Adviser(load_or_train()), Path(records)) as served,
        browser() as started,
    ):
        sell_some(served.url)
        if for_readme:
            _for_readme(started, served.url)
            return 0
        for size, viewport in SIZES.items():
            for light in LIGHTS:
                _shoot(started, served.url, folder, f"{size}-{light}", viewport, light)
            _shoot(started, served.url, folder, f"{size}-large", viewport, "light", "200%")
    return 0


def _for_readme(started: Browser, url: str) -> None:
    """One screen of a phone each, the bench and one machine, light."""
    context = started.new_context(viewport=PHONE, color_scheme="light")
    page = context.new_page()
    for name in ("bench", "machine"):
        _open(page, url, VIEWS[name])
        page.evaluate("scrollTo(0, 0)")
        page.screenshot(path=SEEN / f"{name}.png")
    context.close()


def _open(page: Page, url: str, where: str) -> None:
    page.goto(f"{url}/{where}")
    page.reload()
    page.locator("main h1").wait_for()
    expect(page.locator("[aria-busy]")).to_have_count(0, timeout=30_000)
    page.wait_for_timeout(150)


def _shoot(
    started: Browser,
    url: str,
    folder: Path,
    kind: str,
    viewport: ViewportSize,
    light: Light,
    text: str = "100%",
) -> None:
    context = started.new_context(viewport=viewport, color_scheme=light)
    page = context.new_page()
    for name, where in VIEWS.items():
        _open(page, url, where)
        page.evaluate("(size) => { document.documentElement.style.fontSize = size; }", text)
        page.screenshot(path=folder / f"{name}-{kind}.png", full_page=True)
    context.close()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
