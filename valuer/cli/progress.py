"""How far a command is, on standard error where that is a terminal, once it has lasted a second."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Timer

from valuer.domain.going import Report, heard_by

AFTER = 1.0  # seconds before anything is shown


@contextmanager
def lasting(what: str, after: float = AFTER) -> Iterator[Report]:
    """Show what is being done, how far it is and since when, until the block ends; then it is wiped away.

    What the block goes through with `each_of` moves it on, and so does the report that it is given.
    """
    if not sys.stderr.isatty():
        yield _unseen
        return

    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn()
    bar = Progress(*columns, console=Console(file=sys.stderr), transient=True, redirect_stdout=False)
    task = bar.add_task(what, total=None)  # no more is known than that it goes on

    def report(done: float, step: str) -> None:
        bar.update(task, total=1.0, completed=done, description=f"{what}: {step}")

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


def _unseen(_done: float, _what: str) -> None:
    """Report to nobody."""
