"""How much slower the page is than the API beneath it, in the browser's own timing.

A machine is changed in the form again and again; the time runs from the change to the new value in the page.
Beside it the same question is asked with a bare fetch from the same page, turn and turn about.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from statistics import median

from playwright.sync_api import Page

from tests.benchmark.figures import Figure, at_most, beside
from tests.page.serving import PHONE, browser, serving
from valuer.adviser import Adviser
from valuer.price_model import load_or_train

TURNS = 60
WARM = 10

UPDATE = """(age) => new Promise((done) => {
  const strip = document.querySelector('.strip-value');
  const input = document.querySelector('[data-field="age_years"]');
  const start = performance.now();
  const watch = new MutationObserver(() => {
    watch.disconnect();
    done(performance.now() - start);
  });
  watch.observe(strip, { childList: true, subtree: true });
  input.value = age;
  input.dispatchEvent(new Event('input', { bubbles: true }));
})"""
BARE = """async (age) => {
  const { machine } = JSON.parse(localStorage.getItem('valuer.take'));
  machine.age_years = age;
  const body = JSON.stringify({ machines: [machine], terms: { hour_value: 15, currency: 'USD', price_level: 1 } });
  const start = performance.now();
  const headers = { 'Content-Type': 'application/json' };
  const answer = await fetch('/v1/valuations', { method: 'POST', headers, body });
  await answer.json();
  return performance.now() - start;
}"""
LOADED = """() => performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))
  .reduce((sum, each) => sum + each.transferSize, 0)"""


def run() -> Iterator[Figure]:
    """The update against the bare call, and the bytes of the first load."""
    with (
        tempfile.TemporaryDirectory() as folder,
        serving(Adviser(load_or_train()), Path(folder)) as served,
        browser() as started,
    ):
        page = started.new_page(viewport=PHONE)
        page.goto(f"{served.url}/#/bench")
        page.locator(".row").first.wait_for()
        loaded = float(page.evaluate(LOADED))
        page.goto(f"{served.url}/#/take")
        _fill(page)
        updates, calls = _turns(page)
    yield at_most(
        "value update after a change / bare API call of the same", median(updates) / median(calls), 1.5
    )
    yield beside("value update, bare call (median ms)", f"{median(updates):.1f}, {median(calls):.1f}")
    yield at_most("first load, kB in all", loaded / 1000, 200, 0)


def _fill(page: Page) -> None:
    page.get_by_label("Age years").fill("5")
    page.get_by_role("group", name="Drive").get_by_text("rear, variable").click()
    for words in ("scrape starter", "blade dull", "hard to roll"):
        page.get_by_label("What did you find?").fill(words)
        page.locator(".look-of").last.click()
    page.locator(".strip-value", has_text="takes off most").wait_for()
    page.wait_for_timeout(500)


def _turns(page: Page) -> tuple[list[float], list[float]]:
    """Times of updates and of bare calls, in ms, the warm-up left out."""
    updates, calls = [], []
    for turn in range(TURNS + WARM):
        age = 1 + turn % 20
        updates.append(float(page.evaluate(UPDATE, age)))
        calls.append(float(page.evaluate(BARE, age)))
    return updates[WARM:], calls[WARM:]
