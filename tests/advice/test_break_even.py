"""Try the cheap repair first, or replace at once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.work.break_even import break_even_odds
from valuer.advice.work.fix_plan import plan_fixes


def test_ratio_rule_of_a_sure_replacement() -> None:
    """A try of 18 against a sure replacement of 45: worth it above .40, whatever it brings (derived)."""
    for gain in (60.0, 200.0, 1000.0):
        assert break_even_odds(18.0, gain, gain - 45.0) == pytest.approx(0.40)


@pytest.mark.parametrize(
    ("cost", "sure", "turns"),
    [(16.75, 33.50, 0.50), (12.25, 29.00, 0.42), (16.75, 84.00, 0.20), (12.25, 79.50, 0.15)],
)
def test_worked_table_of_seat_and_carburettor(cost: float, sure: float, turns: float) -> None:
    """Common practice, no source: pattern and maker's carburettor, with and without a second strip-down."""
    odds = break_even_odds(cost, 300.0, 300.0 - sure)
    assert odds == pytest.approx(turns, abs=0.005)


def hundredths(most: int) -> st.SearchStrategy[float]:
    """Cents and percent: what is far below either is lost in rounding, and nobody's money."""
    return st.integers(0, 100 * most).map(lambda cents: cents / 100)


@given(hundredths(50), hundredths(300), hundredths(60), st.floats(0, 1), hundredths(1))
def test_it_is_where_trying_first_begins_to_pay(
    cost: float, gain: float, sure: float, chance: float, odds: float
) -> None:
    """-cost + p gain + (1 - p) rest against rest, on either side of the break-even."""
    rest = max(0.0, odds * gain - sure)
    turns = break_even_odds(cost, gain, rest)
    first = -cost + chance * gain + (1 - chance) * rest
    if turns is None:
        assert first <= rest + 1e-9
    elif abs(chance - turns) > 1e-6:
        assert (first > rest) == (chance > turns)


def test_the_sentence_names_both_fixes_and_both_odds() -> None:
    """The seat against the pattern carburettor, as the trade puts it."""
    rows = plan_fixes([machine("fuel_leak_carb:serious")], FakeModel(), terms())[0].fixes
    seat = next(row for row in rows if row.fix == "needle_seat")
    assert seat.break_even is not None
    assert "Replace float needle / seat" in seat.break_even
    assert "pattern" in seat.break_even
    assert "yours is 25%" in seat.break_even


def test_the_last_fix_of_a_chain_has_no_break_even() -> None:
    """There is nothing to try it before."""
    rows = plan_fixes([machine("deck_rust_hole:serious")], FakeModel(), terms())[0].fixes
    assert [row.break_even for row in rows] == [None]
