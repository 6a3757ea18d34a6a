"""The price model for a command: loaded; trained where the user's own sales ask for it, in view of how far it is."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from valuer.cli.there import records_there
from valuer.clock import today

if TYPE_CHECKING:
    from valuer.advice.ports import Basis
    from valuer.adviser import Adviser
    from valuer.domain.going import Report
    from valuer.learning import OwnRecords

TRAINING = "Training the price model: some minutes, and only where sales or version have changed since."


def load_adviser() -> "Adviser":
    """An adviser on the price model in force; one on the user's own sales is trained where none is kept."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # a prediction is too small to share between threads
    from valuer.adviser import Adviser
    from valuer.price_model import load_or_train
    from valuer.price_model.artifact import ArtifactRefused

    try:
        with progress() as report:
            return Adviser(load_or_train(report), own_records())
    except ArtifactRefused as refused:
        raise click.ClickException(str(refused)) from None


def own_records() -> "OwnRecords | None":
    """The records at the usual address, as of today; None where there are none, or none that can be read."""
    from valuer.records.store.place import none_there

    if none_there():  # found out without loading what learns from them
        return None

    from valuer.learning import OwnRecords
    from valuer.records.store.problems import StoreProblem

    try:
        with records_there() as store:
            return OwnRecords(store.book(), today()) if store else None
    except StoreProblem as problem:
        click.echo(f"valuer: {problem}; answering without own sales", err=True)
        return None


def train_model(
    sales: Path | None, with_synthetic: float, out: Path | None, say: Callable[[str], None], *, full: bool
) -> "Basis":
    """Train on the invented sales, or on a file of the same columns; returns what the model rests on.

    with_synthetic: how much an invented sale counts beside one of the file. out: where to write the model, if not
    into force. say: hears which words of the file were taken for others and what is odd about it. full: each thing that
    is odd or wrong in a line of its own.
    """
    from valuer.price_model import train
    from valuer.price_model.design import TableError

    try:
        with progress() as report:
            return train(sales, report, with_synthetic, out, say, full=full).basis
    except TableError as refusal:
        raise click.ClickException(str(refusal)) from None


@contextmanager
def reckoning() -> "Iterator[Adviser]":
    """An adviser for the answer of a command; how far that is is told where it lasts."""
    from valuer.cli.progress import lasting

    adviser = load_adviser()
    with lasting("reckoning"):
        yield adviser


@contextmanager
def progress() -> "Iterator[Report]":
    """How far training is; that it happens is said once, with its first report, on a terminal or none."""
    from valuer.cli.progress import lasting

    said = False

    with lasting("price model") as show:

        def report(done: float, what: str) -> None:
            nonlocal said
            if not said:
                click.echo(TRAINING, err=True)
            said = True
            show(done, what)

        yield report
