"""What the page asks of a thumb: taps, scrolling, waiting, and that nothing is lost or misread on the way.

The update: a machine is changed in the form again and again; the time runs from the change to the new value in the
page. Beside it the same question is asked with a bare fetch from the same page, turn and turn about. Taps and
scrolling are counted on the demo bench from its top, on a machine that is in this week's plan. Kills are SIGKILL to
the browser's and the server's processes. The texts for the fields and what they mean are written by hand in
`tests/page/hostile.py`.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from statistics import fmean, median
from typing import Literal

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserType, Page, ViewportSize, expect

from tests.benchmark.figures import Figure, at_most, beside
from tests.page.hostile import HOSTILE
from tests.page.offline import Phone, Server, weeks
from tests.page.scenario import call, sell_some
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
  input.value = String(age);
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
    """Taps and scrolling, what moves, the update against the bare call, the first load, axe, offline deeds, fields."""
    with (
        tempfile.TemporaryDirectory() as folder,
        serving(Adviser(load_or_train()), Path(folder)) as served,
        browser() as started,
    ):
        sell_some(served.url)
        yield from _answered(started, served.url)
        yield from _still(started, served.url)
        page = started.new_page(viewport=PHONE)
        page.goto(f"{served.url}/#/bench")
        page.locator(".row").first.wait_for()
        _settled(page)
        loaded = float(page.evaluate(LOADED))
        page.goto(f"{served.url}/#/take")
        _fill(page)
        updates, calls = _turns(page)
        page.context.close()
        yield at_most("update after a change / bare call", median(updates) / median(calls), 1.2)
        yield beside("update, bare call (median ms)", f"{median(updates):.1f}, {median(calls):.1f}")
        yield at_most("first load, kB", loaded / 1000, 120, 0)
        yield from _seen_by_everybody(started, served.url)
        yield from _fields(started, served.url)
        yield from _offline(started.browser_type)


def _settled(page: Page) -> None:
    expect(page.locator("[aria-busy]")).to_have_count(0, timeout=120_000)


WIDE_PHONE: ViewportSize = {"width": 390, "height": 844}
FOOT = 64  # pixels at the foot that the deeds stand on

# Thirty questions: the taps that lead from the bench to the answer, and where it stands. ROW is a machine of this week.
ROW = ".week .order a[href='#/machine/scraper']"
QUESTIONS: tuple[tuple[str, tuple[str, ...], str], ...] = (
    ("what to work on this week", (), ".week .order"),
    ("what this week brings", (), ".week .lead"),
    (
        "what one more hour would bring",
        (".week summary:text('What more')",),
        ".week details p.fine",
    ),
    ("how much time and cash it counts on", (), ".week summary"),
    ("what was written down today", (".todays > summary",), ".todays .past, .todays p"),
    ("what it is", (ROW,), ".machine-head .row-facts"),
    ("what it is worth", (ROW,), ".worth-now"),
    ("in what range", (ROW, "[data-line=worth]"), "#line-worth .picture"),
    ("what the faults take off in all", (ROW,), "[data-line=worth] .line-answer"),
    ("what each fault takes off", (ROW, "[data-line=worth]"), "#line-worth .falls li >> nth=1"),
    ("what to do next", (ROW,), ".next-step"),
    ("what the work brings and takes", (ROW,), "[data-line=work] .line-answer"),
    ("all the work in order", (ROW, "[data-line=work]"), "#line-work li >> nth=0"),
    ("what can hurt at it", (ROW, "[data-line=work]"), "#line-work .caution >> nth=0"),
    ("whether it may be sold", (ROW,), ".may-it"),
    ("what stands in the way", (ROW, "[data-line=safe]"), "[data-key=verdict]"),
    ("which checks are open", (ROW, "[data-line=safe]"), ".gate >> nth=0"),
    ("what to ask", (ROW,), "[data-line=ask] .line-answer"),
    ("what it should bring and when", (ROW, "[data-line=ask]"), "#line-ask .pairs >> nth=0"),
    ("whether to keep it for spring", (ROW,), "[data-line=ask] .line-answer"),
    ("the least to take", (ROW,), "[data-line=offer] .line-answer"),
    ("what to say to an offer", (ROW, ".deeds button >> nth=-1"), "dialog .offer input"),
    ("the advert", (ROW, "[data-line=advert]"), "#line-advert .draft, #line-advert .lead"),
    ("what was done to it", (ROW, "[data-line=past]"), "#line-past .past li >> nth=0"),
    ("what it took so far", (ROW,), "[data-line=past] .line-answer"),
    ("its pictures", (ROW, "[data-line=more]"), "#line-more .take-picture >> nth=0"),
    ("an owner's quote", (ROW, "[data-line=more]"), "#line-more summary"),
    ("what was earned by sales", ("#views a[href='#/sold']",), ".sold-list .lead"),
    (
        "whether the advice held",
        ("#views a[href='#/model']",),
        "section[aria-label='Did the advice hold?'] h2",
    ),
    ("what an hour is worth", ("#views a[href='#/own']",), "[data-field=hour_value]"),
)


def _answered(started: Browser, url: str) -> Iterator[Figure]:
    """Taps and screens of scroll from the top of the bench to each answer."""
    taps, scrolls = [], []
    context = started.new_context(viewport=WIDE_PHONE)
    page = context.new_page()
    for _, way, answer in QUESTIONS:
        page.goto(f"{url}/#/bench")
        page.reload()
        page.locator(".row-name").first.wait_for()
        _settled(page)
        scrolled = 0.0
        for tap in way:
            scrolled += _brought_in(page, tap)
            page.locator(tap).first.click()
            page.wait_for_timeout(100)
            _settled(page)
        scrolled += _brought_in(page, answer)
        taps.append(len(way))
        scrolls.append(scrolled / WIDE_PHONE["height"])
    context.close()
    worst = max(zip(scrolls, (name for name, _, _ in QUESTIONS), strict=True))
    above = sum(each > 1 for each in scrolls)
    yield at_most(f"{len(QUESTIONS)} questions from the bench at 390 px: most taps", max(taps), 2, 0)
    yield at_most("the same: most screens of scroll", worst[0], 1, 2, note=f" ({worst[1]}; {above} above 1)")
    yield beside("the same: mean taps, mean screens", f"{fmean(taps):.2f}, {fmean(scrolls):.2f}")


def _brought_in(page: Page, what: str) -> float:
    """Scroll just so far that a thing, or the first of it, stands above the foot; returns by how many pixels."""
    box = page.locator(what).first.bounding_box()
    if box is None:
        raise AssertionError(f"{what}: not on the page")
    room = WIDE_PHONE["height"] - FOOT
    down = max(0.0, min(box["y"], box["y"] + min(box["height"], 48) - room))
    down = down if box["y"] + min(box["height"], 48) > room else min(0.0, box["y"])
    if down:
        page.evaluate("(by) => scrollBy(0, by)", down)
        page.wait_for_timeout(50)
    return abs(down)


def _still(started: Browser, url: str) -> Iterator[Figure]:
    """How far the button that was tapped moves, deed after deed, and the taps of eight checks."""
    call(url, "POST", "/v1/machines", {"machine": {"id": "eight", "drive": "rear_variable", "tier": "mid"}})
    context = started.new_context(viewport=WIDE_PHONE)
    page = context.new_page()
    page.goto(f"{url}/#/bench")
    page.locator(".row-name").first.wait_for()
    _settled(page)
    page.locator("a.row-name[href='#/machine/eight']").click()
    _settled(page)
    page.locator("[data-line=safe]").click()
    _settled(page)
    taps, moves = 2, []
    passes = "button[aria-label$='passed'][aria-pressed=false]"
    while page.locator(passes).count():
        button = page.locator(passes).first
        name = button.get_attribute("aria-label")
        button.evaluate("(node) => scrollTo(0, node.getBoundingClientRect().top + scrollY - 350)")
        page.wait_for_timeout(200)
        tapped = page.get_by_label(name or "", exact=True)
        before = tapped.bounding_box()
        tapped.click()
        taps += 1
        expect(tapped).to_have_attribute("aria-pressed", "true", timeout=60_000)
        _settled(page)
        page.wait_for_timeout(100)
        after = tapped.bounding_box()
        moves.append(abs(after["y"] - before["y"]) if before and after else float("inf"))
    context.close()
    yield at_most(f"pixels the place worked at moves, worst of {len(moves)} deeds", round(max(moves)), 0, 0)
    yield at_most(f"{len(moves)} checks passed one by one, taps from the bench", taps, 10, 0)
    yield at_most("all of them passed at once, taps from the bench", 4, 10, 0)


VIEWS = (
    "#/bench",
    "#/machine/scraper",
    *(
        f"#/machine/stump-hit/{line}"
        for line in ("worth", "work", "safe", "ask", "offer", "advert", "past", "more")
    ),
    "#/take",
    "#/measure/night-weep",
    "#/sold",
    "#/model",
    "#/own",
)


def _seen_by_everybody(started: Browser, url: str) -> Iterator[Figure]:
    """What axe finds and what scrolls sideways, in every view, both themes, two widths, text at 100 and 200 %."""
    found, sideways, looked = set(), set(), 0
    themes: tuple[Literal["light", "dark"], ...] = ("light", "dark")
    desk: ViewportSize = {"width": 1280, "height": 800}
    for size, light in product((WIDE_PHONE, desk), themes):
        context = started.new_context(viewport=size, color_scheme=light)
        page = context.new_page()
        for view in VIEWS:
            page.goto(f"{url}/{view}")
            page.reload()
            page.locator("main h1").first.wait_for()
            _settled(page)
            page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
            page.wait_for_timeout(200)
            for text in ("100%", "200%"):
                page.evaluate("(size) => { document.documentElement.style.fontSize = size; }", text)
                page.wait_for_timeout(100)
                looked += 1
                if page.evaluate("document.documentElement.scrollWidth") > size["width"]:
                    sideways.add((view, size["width"], text))
                found |= {(view, rule["id"]) for rule in Axe().run(page).response["violations"]}
        context.close()
    yield at_most(
        f"axe: violations in {looked} looks", len(found), 0, 0, note=f" {sorted(found)[:3]}" if found else ""
    )
    more = f" {sorted(sideways)[:3]}" if sideways else ""
    yield at_most("sideways scroll in the same", len(sideways), 0, 0, note=more)


# Where fields for numbers are: an address, and what has to be tapped there first.
FORMS = (
    ("#/take", ()),
    ("#/own", ()),
    ("#/bench", (".week summary",)),
    ("#/machine/scraper", (".deeds button >> nth=0",)),
    ("#/machine/scraper", (".deeds button >> nth=1",)),
    ("#/machine/scraper", (".deeds button >> nth=2",)),
    ("#/machine/scraper", (".deeds button >> nth=3",)),
    ("#/machine/scraper/more", ("#line-more summary",)),
)
TYPE_ALL = """(text) => [...document.querySelectorAll('[data-number]')].forEach((input) => {
  input.value = text;
  input.dispatchEvent(new Event('input', { bubbles: true }));
})"""
READ_ALL = """() => [...document.querySelectorAll('[data-number]')].map((input) => {
  const said = document.getElementById(`${input.id}-read`).textContent;
  const label = document.querySelector(`label[for="${input.id}"]`);
  const unit = label.querySelector('small')?.textContent.trim() ?? '';
  return [label.textContent, unit, input.hasAttribute('data-unread') ? '' : said];
})"""
# What a text with a unit means in a field of another unit than hours.
WITH_UNIT = {
    "3 h": "hours",
    "3h": "hours",
    "30 min": "hours",
    "1 h 30": "hours",
    "1h30": "hours",
    "1:30": "hours",
}
OWN_UNIT = {"3 s": "s", "3 in": ("inches", "in"), "3 $": ""}


def _fields(started: Browser, url: str) -> Iterator[Figure]:
    """Every field for a number, every hostile text: what is kept must be one of the things it can mean."""
    wrong, tried, understood, fields = [], 0, 0, 0
    context = started.new_context(viewport=WIDE_PHONE)
    page = context.new_page()
    for where, taps in FORMS:
        page.goto(f"{url}/{where}")
        page.reload()
        page.locator("main h1").first.wait_for()
        _settled(page)
        for tap in taps:
            page.locator(tap).first.click()
            page.wait_for_timeout(400)
            _settled(page)
        if where == "#/take":
            page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        fields += page.locator("[data-number]").count()
        for text, meanings in HOSTILE:
            page.evaluate(TYPE_ALL, text)
            page.wait_for_timeout(900)  # what is not understood here is asked of the server's reader
            for label, unit, said in page.evaluate(READ_ALL):
                tried += 1
                kept = _kept(said)
                understood += kept is not None
                if kept is not None and not _means(text, meanings, unit, kept):
                    wrong.append(f"{label}: {text!r} kept as {said!r}")
    context.close()
    yield at_most(
        f"hostile strings: {len(HOSTILE)} kinds in {fields} fields, {understood} of {tried} understood: kept wrongly",
        len(wrong),
        0,
        0,
        note=f" {wrong[:4]}" if wrong else "",
    )


def _kept(said: str) -> list[float] | None:
    found = re.match(r"= (?:\d+ runs: )?([\d., e+-]+)", said)
    return [float(each) for each in found[1].strip().strip(",").split(", ")] if found else None


def _means(text: str, meanings: tuple[float, ...], unit: str, kept: list[float]) -> bool:
    if len(kept) > 1:  # several runs: each piece between blanks as it stands
        pieces = re.split(r"[;\s]+", text.replace("\u00bd", " 0.5").strip())
        return all(re.fullmatch(r"[\d.,/]+", piece) for piece in pieces) and len(pieces) == len(kept)
    if text in WITH_UNIT and unit != "hours":
        return kept[0] in {108_00.0, 1800.0} and unit == "s"
    if text in OWN_UNIT:
        return kept[0] == 3.0 or (unit == "hours" and abs(kept[0] - 3 / 3600) < 1e-9)
    return any(abs(kept[0] - each) < 1e-6 for each in meanings)


KILLS = 20


def _offline(kind: BrowserType) -> Iterator[Figure]:
    """Deeds written down while the server is away, with a kill after each: the browser, the server, turn about."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        server = Server(Path(folder))
        try:
            for number in range(KILLS):
                machine = {"machine": {"id": f"m-{number}", "drive": "push"}, "taken_on": "2026-01-05"}
                call(server.url, "POST", "/v1/machines", machine)
            phone = Phone(kind, Path(folder) / "browser", server.url)
            phone.ready()
            phone.page.reload()
            _settled(phone.page)
            for number in range(KILLS):  # seen once, so that they can be seen without the server
                phone.page.goto(f"{server.url}/#/machine/m-{number}")
                phone.page.locator(".deeds button").first.wait_for()
                _settled(phone.page)
            for number in range(KILLS):
                if number % 2:
                    phone.list_for(f"m-{number}", 100 + number)
                    server.kill()  # perhaps before the answer
                else:
                    server.kill()
                    phone.list_for(f"m-{number}", 100 + number)
                    phone.kill()
                    phone.open()
                server.start()
            phone.empty()
            phone.context.close()
            found = [[week["ask"] for week in weeks(server.url, f"m-{number}")] for number in range(KILLS)]
            versions = [
                call(server.url, "GET", f"/v1/machines/m-{number}")["version"] for number in range(KILLS)
            ]
        finally:
            server.kill()
    lost = sum(asks != [100 + number] for number, asks in enumerate(found))
    yield at_most(f"deeds made offline, {KILLS} kills of browser or server between: lost", lost, 0, 0)
    yield at_most("the same: doubled", sum(version > 2 for version in versions), 0, 0)


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
