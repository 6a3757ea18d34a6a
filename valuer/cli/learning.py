"""Commands that look back: what own sales taught, and whether the advice held."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from valuer.cli.options import json_option
from valuer.cli.records import money_terms, records_at, store_option
from valuer.clock import today

if TYPE_CHECKING:
    from valuer.domain.shop import ShopTerms
    from valuer.learning import OwnRecords


def own_records(where: str | None) -> "OwnRecords":
    """Everything on record as of today."""
    from valuer.cli.progress import lasting
    from valuer.learning import OwnRecords

    with records_at(where) as store, lasting("reading the records"):
        return OwnRecords(store.book(), today())


@click.command()
@money_terms
@store_option
@json_option
def learn(where: str | None, terms: "ShopTerms", *, as_json: bool) -> None:
    """What own sales and own tries changed.

    Before and after are judged on own sales, each by a correction that has not seen it.
    """
    from valuer.cli import model, show_learning
    from valuer.cli.progress import lasting
    from valuer.learning import correction_report

    own = own_records(where)
    adviser = model.load_adviser()
    with lasting("learning"):
        report = correction_report(own, adviser.model, terms.price_level)
    if as_json:
        click.echo(report.model_dump_json(indent=2))
    else:
        show_learning.correction(report)


@click.command()
@money_terms
@store_option
@json_option
def accuracy(where: str | None, terms: "ShopTerms", *, as_json: bool) -> None:
    """Did the advice hold?

    Own sales against what was predicted before each, ranges, fixes against what they promised, days to sell.
    """
    from valuer.cli import show_learning
    from valuer.cli.progress import lasting
    from valuer.records.accuracy import accuracy as judged

    machines = own_records(where).book.machines
    with lasting("comparing"):
        report = judged(machines, terms.hour_value)
    if as_json:
        click.echo(report.model_dump_json(indent=2))
    else:
        show_learning.accuracy(report)


commands: Sequence[click.Command] = (learn, accuracy)
