"""The one place where the clock is read; further in, months, days and moments travel as arguments."""

from datetime import UTC, date, datetime


def this_month() -> int:
    """The month of today on the user's own calendar, 1 to 12."""
    return datetime.now(tz=UTC).astimezone().month


def now() -> datetime:
    """This moment in UTC."""
    return datetime.now(tz=UTC)


def today() -> date:
    """This day on the user's own calendar."""
    return now().astimezone().date()
