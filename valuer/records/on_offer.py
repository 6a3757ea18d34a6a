"""The weeks a machine stood listed, told from entries that a user makes now and then.

A week without an entry had the ask of the week before. After a longer silence the machine is taken to have
been withdrawn, and listed afresh with the next entry.
"""

from dataclasses import dataclass
from datetime import date, timedelta

from valuer.records.entries import ListingWeek, MachineEntry

LONGEST_SILENCE = 8
"""Weeks without an entry after which a machine counts as withdrawn (judgement)."""

WEEK = timedelta(days=7)


@dataclass(frozen=True)
class Offered:
    """One time listed: its weeks in order, each with the ask that stood; ``sold`` in the last of them."""

    weeks: tuple[ListingWeek, ...]
    sold: bool

    @property
    def last_day(self) -> date:
        """The Monday of its last week."""
        return self.weeks[-1].week_of

    def runs(self, today: date) -> bool:
        """Whether it still stands listed on this day, for all that is on record."""
        return not self.sold and _silence(self.weeks[-1], today) <= LONGEST_SILENCE


def times_on_offer(entry: MachineEntry, today: date | None = None) -> tuple[Offered, ...]:
    """Return every time the machine was listed, in order; none where no week is on record.

    A machine that left for parts or scrap was withdrawn, not sold. With today's date, one that still stands has
    the weeks without an entry until then too.
    """
    if not entry.weeks:
        return ()
    sale = entry.sale
    sold_on = sale.sold_on if sale and sale.sold_as in ("working", "for_repair") else None
    weeks = sorted(entry.weeks, key=lambda week: week.week_of)
    if sold_on:
        weeks = [week for week in weeks if week.week_of <= sold_on]
    times: list[list[ListingWeek]] = []
    for week in weeks:
        if times and _silence(times[-1][-1], week.week_of) <= LONGEST_SILENCE:
            times[-1] += [*_filled(times[-1][-1], week.week_of), week]
        else:
            times.append([week])
    sold = bool(times) and sold_on is not None and _silence(times[-1][-1], sold_on) <= LONGEST_SILENCE
    if sold and sold_on:
        times[-1] += _filled(times[-1][-1], sold_on + WEEK)
    if times and today and not entry.sale and _silence(times[-1][-1], today) <= LONGEST_SILENCE:
        times[-1] += _filled(times[-1][-1], today)
    return tuple(Offered(tuple(each), sold and place == len(times) - 1) for place, each in enumerate(times))


def _silence(last: ListingWeek, day: date) -> int:
    """Weeks without an entry between a week and the week of a day."""
    return max(0, (day - last.week_of).days // 7 - 1)


def _filled(last: ListingWeek, day: date) -> list[ListingWeek]:
    """The weeks after one and before that of a day, at its ask."""
    count = _silence(last, day)
    return [ListingWeek(week_of=last.week_of + WEEK * (k + 1), ask=last.ask) for k in range(count)]
