"""Weeks listed from entries made now and then: silence is filled, a long one ends the listing."""

from datetime import date, timedelta
from typing import Any

from tests.records.bench import MONDAY, entry
from valuer.records.entries import ListingWeek, Sale
from valuer.records.on_offer import times_on_offer


def week(number: int, ask: float = 180.0) -> ListingWeek:
    """A listed week, the first being that of the fourth of May."""
    return ListingWeek(week_of=MONDAY + timedelta(days=7 * (number - 1)), ask=ask)


def told(*weeks: ListingWeek, sold_on: date | None = None, **how: Any) -> list[tuple[list[float], bool]]:
    """The asks of each time listed, and whether it sold."""
    sale = sold_on and Sale(sold_on=sold_on, price=150.0, **how)
    times = times_on_offer(entry(weeks=weeks, sale=sale))
    return [([each.ask for each in time.weeks], time.sold) for time in times]


def test_without_entries_it_never_stood_on_offer() -> None:
    assert told() == []
    assert told(sold_on=MONDAY) == [], "a sale out of hand says nothing about weeks"


def test_weeks_without_an_entry_keep_the_ask_before() -> None:
    assert told(week(1), week(4, 160.0)) == [([180.0, 180.0, 180.0, 160.0], False)]


def test_it_stood_until_the_week_of_the_sale() -> None:
    # Weeks of May 4, 11 and 18; the 20th is a Wednesday of the third.
    assert told(week(1), sold_on=date(2026, 5, 20)) == [([180.0] * 3, True)]
    assert told(week(1), sold_on=date(2026, 5, 10)) == [([180.0], True)]


def test_a_machine_still_there_counts_for_the_weeks_on_record_only() -> None:
    assert told(week(1), week(2)) == [([180.0, 180.0], False)]


def test_after_a_long_silence_it_is_on_offer_afresh() -> None:
    # Eight weeks without a word are bridged, nine are not.
    assert [len(asks) for asks, _ in told(week(1), week(10))] == [10]
    assert [len(asks) for asks, _ in told(week(1), week(11))] == [1, 1]
    assert told(week(1), sold_on=date(2026, 12, 1)) == [([180.0], False)]


def test_parts_and_scrap_are_no_sale_of_the_listing() -> None:
    assert told(week(1), sold_on=date(2026, 5, 6), sold_as="for_parts") == [([180.0], False)]


def test_with_todays_date_what_still_stands_has_its_silent_weeks_too() -> None:
    """Listed in the week of May 4; on Wednesday, May 27 the weeks of May 11 and 18 are over."""
    (time,) = times_on_offer(entry(weeks=(week(1),)), date(2026, 5, 27))
    assert [each.week_of for each in time.weeks] == [week(number).week_of for number in (1, 2, 3)]
    (withdrawn,) = times_on_offer(entry(weeks=(week(1),)), week(11).week_of)
    assert len(withdrawn.weeks) == 1


def test_it_runs_for_eight_silent_weeks_and_not_once_it_is_sold() -> None:
    (time,) = times_on_offer(entry(weeks=(week(1),)))
    assert time.runs(week(10).week_of)
    assert not time.runs(week(11).week_of)
    (sold,) = times_on_offer(
        entry(weeks=(week(1),), sale=Sale(sold_on=week(1).week_of + timedelta(days=2), price=9.0))
    )
    assert not sold.runs(week(1).week_of)
    (twice,) = times_on_offer(entry(weeks=(week(1), week(9))))
    assert twice.runs(week(18).week_of), "the silence is counted from the last week"
