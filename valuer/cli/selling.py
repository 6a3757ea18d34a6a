"""Commands of the sale: what to ask, what to say to an offer, what to write."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from valuer.cli.commands import emit
from valuer.cli.options import (
    MONEY_TERMS,
    Count,
    Figure,
    file_argument,
    full_option,
    json_option,
    machines,
    only_option,
    sure_option,
    terms_of,
)
from valuer.cli.there import own_terms

if TYPE_CHECKING:
    from valuer.domain.shop import ShopTerms

weeks_option = click.option(
    "--weeks",
    type=Count(1, 52),
    callback=lambda ctx, param, value: value or own_terms().get("weeks", 12),  # noqa: ARG005 - click's signature
    metavar="NUMBER",
    help="Weeks until it must be gone [12, or as among your own terms].",
)


MONEY = Figure(0.01)


@click.command()
@file_argument
@only_option
@weeks_option
@click.option(
    "--room", type=Count(1, 60), metavar="NUMBER", help="Most listed at once: says which to list now."
)
@full_option
@terms_of(*MONEY_TERMS)
@json_option
def ask(
    file: str,
    only: tuple[str, ...],
    weeks: int,
    room: int | None,
    terms: "ShopTerms",
    *,
    full: bool,
    as_json: bool,
) -> None:
    """What to ask, when to cut, the least to take.

    WHICH is a file, machines on record, one in your own words, or nothing: your bench.
    Says too whether to list now or keep it for a better month.
    """
    from valuer.cli import show_selling
    from valuer.cli.model import reckoning

    asked = machines(file, only)
    with reckoning() as adviser:
        answer = adviser.asking_prices(asked, terms, weeks, room)
    emit(
        answer,
        lambda out: show_selling.asking_prices(out, answer.asking_prices, answer.together, full=full),
        as_json=as_json,
    )


@click.command()
@file_argument
@only_option
@click.option("--offer", "offered", type=MONEY, required=True, metavar="MONEY", help="What is offered.")
@click.option(
    "--week", type=Count(1, 52), metavar="NUMBER", help="Week of the listing [as the records say, or 1]."
)
@click.option(
    "--ask", "asking", type=MONEY, metavar="MONEY", help="What you ask now [as on record, or as advised]."
)
@sure_option
@weeks_option
@full_option
@terms_of(*MONEY_TERMS)
@json_option
def offer(
    file: str,
    only: tuple[str, ...],
    offered: float,
    week: int | None,
    asking: float | None,
    weeks: int,
    terms: "ShopTerms",
    *,
    sure: bool,
    full: bool,
    as_json: bool,
) -> None:
    """Take an offer, name another price, or wait.

    WHICH is a file, machines on record, one in your own words, or nothing: your bench.
    Every machine of it is judged as if the offer were for it.
    """
    from valuer.cli import show_selling
    from valuer.cli.model import reckoning

    asked = machines(file, only)
    with reckoning() as adviser:
        answer = adviser.offers(asked, terms, offered, week, weeks, asking, sure=sure)
    emit(answer, lambda out: show_selling.offers(out, answer.offers, full=full), as_json=as_json)


@click.command()
@file_argument
@only_option
@click.option("--done", multiple=True, metavar="TEXT", help="What was done to it; may be repeated.")
@click.option("--short", is_flag=True, help="Title, price and one paragraph.")
@click.option("--markdown", is_flag=True, help="Write Markdown instead of plain text.")
@click.option(
    "--print",
    "sheet_to",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="PATH",
    help="Write a page for the handle (HTML) to this file; one machine only.",
)
@weeks_option
@full_option
@terms_of(*MONEY_TERMS)
@json_option
def listing(
    file: str,
    only: tuple[str, ...],
    done: tuple[str, ...],
    sheet_to: Path | None,
    weeks: int,
    terms: "ShopTerms",
    *,
    full: bool,
    short: bool,
    markdown: bool,
    as_json: bool,
) -> None:
    """An honest draft to paste, or why there is none.

    WHICH is a file, machines on record, one in your own words, or nothing: your bench.
    Nothing is claimed that the file does not say.
    """
    from valuer.advice.worth.sheet import sheet
    from valuer.cli import show_selling
    from valuer.cli.model import reckoning

    asked = machines(file, only)
    if sheet_to is not None and len(asked) != 1:
        raise click.ClickException(
            f"--print: expected one machine, got {len(asked)}; choose one with --machine"
        )
    with reckoning() as adviser:
        answer = adviser.listings(asked, terms, done, weeks)
    if sheet_to is not None:
        sheet_to.write_text(sheet(answer.listings[0]), encoding="utf-8")
        click.echo(f"wrote {sheet_to}", err=True)
    emit(
        answer,
        lambda out: show_selling.listings(out, answer.listings, short=short, markdown=markdown, full=full),
        as_json=as_json,
    )


commands = (ask, offer, listing)
