"""The page's reader of figures beside the one of every other door: it may ask where that one knows, never differ.

What the page does not understand it asks the server's reader about (`POST /v1/read/figures`), so that leaving a text
alone costs nothing. The spellings are drawn by the benchmark's generator, which knows neither of them.
"""

import math

from tests.benchmark.spellings import spellings
from tests.page.conftest import Opened
from tests.page.hostile import HOSTILE
from tests.page.serving import Served
from tests.page.test_the_whole_job import settled
from valuer.intake.numbers import NotUnderstood, read_figure
from valuer.intake.quantities import Quantity, quantities

UNITS = {"h": "hours", "kPa": "kPa"}
"""Names of units on the page where they are others than in the intake."""

READ = """async (asked) => {
  const { understood, understoodRuns } = await import('/page/code/numbers.js');
  const read = ({ text, runs, ...bounds }) => (runs ? understoodRuns : understood)(text, bounds).value ?? [];
  return asked.map((each) => [read(each)].flat());
}"""


def question(quantity: Quantity, text: str) -> dict[str, object]:
    """What a field of the page asks its reader."""
    return {
        "text": text,
        "runs": quantity.runs,
        "unit": UNITS.get(quantity.unit, quantity.unit),
        "money": quantity.kind == "money",
        "minimum": quantity.low,
        "maximum": quantity.high,
    }


def at_other_doors(quantity: Quantity, text: str) -> tuple[float, ...]:
    """What the intake makes of a text; nothing where it refuses or asks."""
    try:
        return read_figure(text, quantity).values
    except NotUnderstood:
        return ()


def test_no_figure_is_read_differently_on_the_page(served: Served, opened: Opened) -> None:
    page = opened(served, "#/take").page
    settled(page)
    drawn = list(spellings(1_200, 1))
    asked = [(quantities()[each.name], each.text, each.meant) for each in drawn]
    asked += [(quantities()["hours"], text, ()) for text, _ in HOSTILE]
    here = page.evaluate(READ, [question(quantity, text) for quantity, text, _ in asked])
    understood, other = 0, []
    for (quantity, text, meant), read in zip(asked, here, strict=True):
        understood += bool(read)
        there = at_other_doors(quantity, text)
        for wanted, close in ((there, 1e-9), (meant, 0.005)):  # an inch written to two digits after the point
            if read and wanted and not same(read, wanted, close):
                other.append((quantity.name, text, read, wanted))
    assert other == []
    assert understood > 600, "most plain spellings are understood without asking the server"


def same(read: list[float], wanted: tuple[float, ...], close: float) -> bool:
    """Whether two readings are the same figures."""
    return len(read) == len(wanted) and all(
        math.isclose(a, b, rel_tol=close, abs_tol=1e-12) for a, b in zip(read, wanted, strict=True)
    )
