"""Commands of the work: which fixes, what to look at next, the most to pay, this week, an owner's quote."""

import functools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from valuer.cli import completing
from valuer.cli.asked import UNNAMED, is_file
from valuer.cli.commands import emit
from valuer.cli.options import (
    MONEY_TERMS,
    Figure,
    file_argument,
    full_option,
    json_option,
    machines,
    one_line,
    only_option,
    terms_of,
    terms_options,
)
from valuer.cli.output import keep_to_ourselves

if TYPE_CHECKING:
    from valuer.domain.machine import Machine
    from valuer.domain.shop import ShopTerms

MONEY = Figure()
SHOP_HOURS = Figure(0, 1_000, "hours")
QUOTE_OPTIONS = {
    "hours": "shop-hours",
    "diagnosis_fee": "fee",
    "fee_paid": "fee-paid",
    "new_price": "new-price",
    "quotes": "cures",
}
"""Options of `valuer quote` that have another name than the figure."""

done_option = click.option(
    "--done",
    "done",
    metavar="FIX=RESULT",
    multiple=True,
    help="How a fix went, worked or failed; may be repeated. The rest is decided from there.",
)


def pairs(option: str, given: Sequence[str]) -> dict[str, str]:
    """Words by name from texts such as ``needle_seat=failed``; raises ClickException in one line."""
    found: dict[str, str] = {}
    for text in given:
        name, _, word = (part.strip() for part in text.partition("="))
        if not name or not word:
            raise click.ClickException(f"--{option}: expected NAME=WORD, got {text!r}")
        if found.setdefault(name, word) != word:
            raise click.ClickException(f"--{option}: {name} is given twice, as {found[name]} and as {word}")
    return found


def for_one(option: str, given: Any, asked: "Sequence[Machine]") -> dict[str, Any]:
    """What was given, under the id of the one machine it is about; empty where nothing was given."""
    if not given:
        return {}
    if len(asked) != 1:
        raise click.ClickException(
            f"--{option}: expected one machine, got {len(asked)}; choose one with --machine"
        )
    return {asked[0].id: given}


seen_option = click.option(
    "--seen", metavar="LOOK=RESULT", multiple=True, help="What a look showed; may be repeated."
)


@click.command()
@file_argument
@only_option
@done_option
@seen_option
@click.option("--by-hour", is_flag=True, help="Show how the list changes with the worth of an hour.")
@click.option(
    "--if-hour",
    "hour_values",
    type=MONEY,
    metavar="MONEY",
    multiple=True,
    help="Show the list if an hour were worth this; may be repeated.",
)
@click.option("--list", "listed", is_flag=True, help="List every fix there is, and what it cures.")
@full_option
@terms_options
@json_option
def fixes(
    file: str,
    only: tuple[str, ...],
    done: tuple[str, ...],
    seen: tuple[str, ...],
    hour_values: tuple[float, ...],
    terms: "ShopTerms",
    *,
    by_hour: bool,
    listed: bool,
    full: bool,
    as_json: bool,
) -> None:
    """What to look at and to fix, step by step, and when to stop.

    WHICH is a file, machines on record, one in your own words, or nothing: your bench.
    --hours and --cash limit the list of each machine.
    --done needle_seat=failed and --seen wet_point=sump go on from there.
    """
    if listed:
        from valuer.cli.show import found
        from valuer.intake.search import every

        found(every("fix"), terms.words)
        return
    hours = hour_values if by_hour or hour_values else None
    _work_lists(file, only, (done, seen), terms, hours, full=full or hours is not None, as_json=as_json)


@click.command("next")
@file_argument
@only_option
@seen_option
@done_option
@full_option
@terms_options
@json_option
def next_step(
    file: str,
    only: tuple[str, ...],
    seen: tuple[str, ...],
    done: tuple[str, ...],
    terms: "ShopTerms",
    *,
    full: bool,
    as_json: bool,
) -> None:
    """The next step on each machine, and what follows each result.

    The same list as `valuer fixes`. WHICH is a file, machines on record, one in your own words, or nothing: your
    bench. --seen wet_point=sump says what a look showed.
    """
    _work_lists(file, only, (done, seen), terms, None, full=full, as_json=as_json)


def _work_lists(
    file: str,
    only: tuple[str, ...],
    told: tuple[tuple[str, ...], tuple[str, ...]],
    terms: "ShopTerms",
    hours: tuple[float, ...] | None,
    *,
    full: bool,
    as_json: bool,
) -> None:
    from valuer.cli import show_work
    from valuer.cli.model import reckoning

    asked = machines(file, only)
    done, seen = (
        for_one(name, pairs(name, given), asked) for name, given in zip(("done", "seen"), told, strict=True)
    )
    with one_line(), reckoning() as adviser:
        answer = adviser.work_lists(asked, terms, done, seen, hours)
    on_record = not is_file(file) and asked[0].id != UNNAMED
    emit(
        answer,
        lambda out: show_work.work_lists(
            out, answer.work_lists, [*told[0], *told[1]], full=full, on_record=on_record
        ),
        as_json=as_json,
    )


@click.command()
@file_argument
@only_option
@click.option("--want", type=MONEY, metavar="MONEY", help="Money to be left over, your hours paid [0].")
@click.option("--want-per-hour", type=MONEY, metavar="MONEY", help="Wanted for each hour of yours instead.")
@click.option("--asked", type=MONEY, metavar="MONEY", help="What the seller asks.")
@click.option(
    "--miles", type=Figure(0, 5_000, "distance"), metavar="MILES", help="Round trip to fetch it [12]."
)
@click.option(
    "--not-there",
    metavar="FAULT",
    multiple=True,
    help="A fault you looked for and did not find; may be repeated.",
    shell_complete=completing.faults,
)
@full_option
@terms_of(*MONEY_TERMS)
@json_option
def buy(
    file: str,
    only: tuple[str, ...],
    want: float | None,
    want_per_hour: float | None,
    asked: float | None,
    miles: float | None,
    not_there: tuple[str, ...],
    terms: "ShopTerms",
    *,
    full: bool,
    as_json: bool,
) -> None:
    """The most to pay, and whether to fetch it at all.

    WHICH is a file, machines on record, one in your own words, or nothing: your bench.
    Faults nobody looked for are counted at their share among
    machines taken in, or among running machines listed where it is known to run.
    """
    from valuer.cli import show_deciding
    from valuer.cli.model import reckoning

    if want is not None and want_per_hour is not None:
        raise click.ClickException("expected --want or --want-per-hour, got both; leave one out")
    offered = machines(file, only)
    if miles is not None:
        terms = terms.model_copy(update={"trip_miles": miles})
    with one_line(), reckoning() as adviser:
        answer = adviser.purchase_limits(
            offered,
            terms,
            want=want or 0.0,
            want_per_hour=want_per_hour,
            asked=asked,
            not_there=not_there,
        )
    emit(
        answer,
        lambda out: show_deciding.purchase_limits(out, answer.purchase_limits, terms.trip_miles, full=full),
        as_json=as_json,
    )


@click.command()
@file_argument
@functools.partial(terms_options, week=True)
@json_option
def bench(file: str, terms: "ShopTerms", *, as_json: bool) -> None:
    """Which work on which machines this week.

    WHICH is a file, machines on record, one in your own words, or nothing: your bench.
    --hours and --cash are what the week has; the ranking by
    return per bench hour stands beside the plan.
    """
    from valuer.cli import show_deciding
    from valuer.cli.model import reckoning

    asked = machines(file)
    keep_to_ourselves()
    with reckoning() as adviser:
        answer = adviser.bench_plan(asked, terms)
    emit(answer, lambda out: show_deciding.bench(out, answer), as_json=as_json)


@click.command()
@file_argument
@only_option
@click.option("--parts", type=MONEY, metavar="MONEY", help="What the shop asks for parts.")
@click.option("--shop-hours", type=SHOP_HOURS, metavar="HOURS", help="The shop's hours.")
@click.option("--rate", type=MONEY, metavar="MONEY", help="The shop's hour [60].")
@click.option("--fee", type=MONEY, metavar="MONEY", help="The shop's fee for looking, if charged besides.")
@click.option("--fee-paid", is_flag=True, help="The fee is paid already: it is gone either way.")
@click.option(
    "--cures",
    metavar="FAULT",
    multiple=True,
    help="What it cures, if not all; may be repeated.",
    shell_complete=completing.faults,
)
@click.option(
    "--new-price",
    type=Figure(0.01),
    metavar="MONEY",
    help="What a comparable new machine costs.",
)
@terms_of(*MONEY_TERMS)
@json_option
def quote(
    file: str,
    only: tuple[str, ...],
    parts: float | None,
    shop_hours: float | None,
    rate: float | None,
    fee: float | None,
    cures: tuple[str, ...],
    new_price: float | None,
    terms: "ShopTerms",
    *,
    fee_paid: bool,
    as_json: bool,
) -> None:
    """For an owner: repair it, sell it as it stands, replace it?

    WHICH is a file, machines on record, one in your own words, or nothing: your bench.
    What you do not know of the shop's figures is taken from usual ones. The list of `valuer fixes` stands below: what
    somebody who repairs to sell would do.
    """
    from valuer.cli import show_deciding
    from valuer.cli.model import reckoning
    from valuer.domain.shop_figures import ShopFigures

    asked = machines(file, only)
    given = {
        "parts": parts,
        "hours": shop_hours,
        "rate": rate,
        "diagnosis_fee": fee,
        "fee_paid": fee_paid or None,
        "cures": cures or None,
        "new_price": new_price,
    }
    known = {name: value for name, value in given.items() if value is not None}
    option = next((QUOTE_OPTIONS.get(name, name) for name in known), "")
    figures = for_one(option, known and ShopFigures.model_validate(known), asked)
    with one_line(QUOTE_OPTIONS), reckoning() as adviser:
        answer = adviser.repair_quotes(asked, terms, figures)
    emit(answer, lambda out: show_deciding.repair_quotes(out, answer), as_json=as_json)


commands = (fixes, next_step, buy, quote, bench)
