"""Pictures of every view, to be looked at: ``python -m tests.page.screenshots FOLDER``.

Phone and desk, light and dark, over the demo bench with a few invented sales. The folder stays out of git.
"""

import sys
import tempfile
from pathlib import Path
from typing import Literal, get_args

from playwright.sync_api import Browser, ViewportSize, expect

from tests.page.scenario import sell_some
from tests.page.serving import DESK, PHONE, browser, serving
from valuer.adviser import Adviser
from valuer.price_model import load_or_train

Light = Literal["light", "dark"]
LIGHTS: tuple[Light, ...] = get_args(Light)
VIEWS = {
    "bench": "#/bench",
    "machine": "#/machine/scraper",
    "unsafe": "#/machine/stump-hit",
    "take": "#/take",
    "measure": "#/measure/night-weep",
    "sold": "#/sold",
    "model": "#/model",
}


def main(arguments: list[str]) -> int:
    """Write a picture a view, size and light; exit 2 where no folder is named."""
    if len(arguments) != 1:
        sys.stderr.write("expected one folder for the pictures\n")
        return 2
    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as records,
        serving(Adviser(load_or_train()), Path(records)) as served,
        browser() as started,
    ):
        sell_some(served.url)
        for size, viewport in (("phone", PHONE), ("desk", DESK)):
            for light in LIGHTS:
                _shoot(started, served.url, folder, f"{size}-{light}", viewport, light)
    return 0


def _shoot(started: Browser, url: str, folder: Path, kind: str, viewport: ViewportSize, light: Light) -> None:
    context = started.new_context(viewport=viewport, color_scheme=light)
    page = context.new_page()
    for name, where in VIEWS.items():
        page.goto(f"{url}/{where}")
        page.reload()
        page.locator("main h1").wait_for()
        expect(page.locator("[aria-busy]")).to_have_count(0, timeout=30_000)
        page.wait_for_timeout(150)
        page.screenshot(path=folder / f"{name}-{kind}.png", full_page=True)
    context.close()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
