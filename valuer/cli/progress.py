"""How far a command is, on standard error where that is a terminal, once it has lasted a second."""

import math
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Timer
from typing import TYPE_CHECKING

from valuer.domain.going import Report, heard_by

if TYPE_CHECKING:
    from rich.progress import ProgressColumn, Task

AFTER = 1.0  # seconds before anything is shown


@contextmanager
def lasting(what: str, after: float = AFTER) -> Iterator[Report]:
    """Show what is being done, how far it is, since when and for how long yet, until the block ends; then wipe it away.

    What the block goes through with `each_of` moves it on, and so does the report that it is given.
    """
    if not sys.stderr.isatty():
        yield _unseen
        return

    from rich.console import Console
    from rich.progress import Progress

    bar = Progress(*_columns(), console=Console(file=sys.stderr), transient=True, redirect_stdout=False)
    task = bar.add_task(what, total=None, told=0.0)  # no more is known than that it goes on

    def report(done: float, step: str) -> None:
        told = bar.tasks[0].elapsed or 0.0
        bar.update(task, total=1.0, completed=done, description=f"{what}: {step}", told=told)

    timer = Timer(after, bar.start)
    timer.start()
    if not after:  # shown from the start, not whenever the timer gets its turn
        timer.join()
    try:
        with heard_by(report):
            yield report
    finally:
        timer.cancel()
        timer.join()
        bar.stop()


def _columns() -> "tuple[ProgressColumn, ...]":
    from rich.progress import BarColumn, ProgressColumn, TextColumn, TimeElapsedColumn
    from rich.text import Text

    class TimeLeft(ProgressColumn):
        """Counts down from what was told last."""

        def render(self, task: "Task") -> Text:
            told = task.fields["told"]
            return Text(time_left(task.completed, told, (task.elapsed or 0.0) - told))

    return TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), TimeLeft()


LEAST_DONE, LEAST_SECONDS = 0.03, 1.0
"""Share and seconds that must be over before they say anything of the rest."""

IN_MINUTES = 90
"""Seconds from which minutes are told."""


def time_left(done: float, seconds: float, since: float) -> str:
    """How long it will take yet if it goes on as it went: ``done``, 0 to 1, took so many seconds, some time ``since``.

    Nothing while too little is over, nor once the time is up and nothing more was told.

    >>> time_left(0.25, 10.0, 0.0), time_left(0.25, 10.0, 12.0), time_left(0.5, 200.0, 20.0)
    ('about 30 s left', 'about 18 s left', 'about 3 min left')
    >>> time_left(0.01, 10.0, 0.0), time_left(0.5, 10.0, 11.0)
    ('', '')
    """
    if done < LEAST_DONE or seconds < LEAST_SECONDS:
        return ""
    left = seconds * (1.0 - done) / done - since
    if left <= 0:
        return ""
    return f"about {left / 60:.0f} min left" if left >= IN_MINUTES else f"about {math.ceil(left)} s left"


def _unseen(_done: float, _what: str) -> None:
    """Report to nobody."""
