"""Does that look right? Amounts, days and hours that are more often a slip than the truth: asked back, then taken.

The bounds are common practice, no source: a slip moves a comma or writes another year.
"""

from collections.abc import Iterator
from datetime import date

TIMES = 10.0
"""A sale this many times, or one part in so many, of what was expected."""

WEEK_HOURS = 40.0
FIRST_YEAR = 2000
LOW = frozenset({"for_parts", "scrap"})
"""Ways to leave for which next to nothing is no slip."""


def about_sale(
    price: float, sold_as: str, expected: float, day: date, today: date, hours: float | None = None
) -> tuple[str, ...]:
    """What looks odd about a sale, a line each; empty where nothing does.

    >>> about_sale(1600, "working", 150, date(2026, 5, 2), date(2026, 5, 3))
    ('price: 1600, where 150 was expected',)
    """
    return tuple(_sale(price, sold_as, expected, day, today, hours))


def _sale(
    price: float, sold_as: str, expected: float, day: date, today: date, hours: float | None
) -> Iterator[str]:
    low = price * TIMES <= expected and sold_as not in LOW
    if price >= TIMES * expected or low:
        yield f"price: {price:g}, where {expected:g} was expected"
    yield from _day("sold_on", day, today)
    yield from _hours(hours)


def about_work(
    day: date, today: date, hours: float | None, parts: float | None, new_price: float | None
) -> tuple[str, ...]:
    """What looks odd about a fix that was tried; ``new_price`` is that of the machine, where it is known."""
    return (*_day("done_on", day, today), *_hours(hours), *_parts("parts", parts, new_price))


def about_intake(
    day: date, today: date, hours: float | None, paid: float | None, new_price: float | None
) -> tuple[str, ...]:
    """What looks odd about taking a machine in."""
    return (*_day("taken_on", day, today), *_hours(hours), *_parts("paid", paid, new_price))


def about_week(day: date, today: date) -> tuple[str, ...]:
    """What looks odd about a listed week."""
    return tuple(_day("week_of", day, today))


def _day(name: str, day: date, today: date) -> Iterator[str]:
    if day > today:
        yield f"{name}: {day} is still to come"
    elif day.year < FIRST_YEAR:
        yield f"{name}: {day} is in another century"


def _hours(hours: float | None) -> Iterator[str]:
    if hours is not None and hours > WEEK_HOURS:
        yield f"hours: {hours:g} is more than a week of work"


def _parts(name: str, amount: float | None, new_price: float | None) -> Iterator[str]:
    if amount is not None and new_price is not None and amount > new_price:
        yield f"{name}: {amount:g} is more than a comparable new machine costs ({new_price:g})"
