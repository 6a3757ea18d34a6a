"""The one place where the clock is read; further in, the month travels as an argument."""

from datetime import UTC, datetime


def this_month() -> int:
    """The month of today on the user's own calendar, 1 to 12."""
    return datetime.now(tz=UTC).astimezone().month
