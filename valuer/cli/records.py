"""Commands that write down and read back: taken in, worked on, offered, sold."""

import functools
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from valuer.cli import completing
from valuer.cli.options import (
    Count,
    Figure,
    file_argument,
    json_option,
    machines,
    one_line,
    only_option,
    sure_option,
    terms_options,
)
from valuer.cli.output import write_out
from valuer.clock import now, today
from valuer.domain.words import printable

if TYPE_CHECKING:
    from valuer.domain.machine import Machine
    from valuer.domain.shop import ShopTerms
    from valuer.intake.words import Understood
    from valuer.records.entries import MachineEntry
    from valuer.records.store.store import Store

SOLD_AS = ("working", "for_repair", "for_parts", "scrap")

money_terms = functools.partial(terms_options, names=("currency", "price_level", "hour_value"))

store_option = click.option(
    "--store",
    "where",
    metavar="ADDRESS",
    help="Path or database address [VALUER_STORE, or your data folder].",
)


class Day(click.ParamType[date]):
    """A day as YYYY-MM-DD."""

    name = "day"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """The day, or a refusal that says what came."""
        try:
            return date.fromisoformat(value) if isinstance(value, str) else value
        except ValueError:
            self.fail(f"expected a day as YYYY-MM-DD, got {value!r}", param, ctx)


id_argument = click.argument("machine_id", metavar="ID", shell_complete=completing.machines)
day_option = click.option(
    "--on", "day", type=Day(), metavar="DAY", help="Day it happened, YYYY-MM-DD [today]."
)


def look_right(odd: Sequence[str], *, sure: bool) -> None:
    """Ask back what looks odd: at a terminal on the spot, elsewhere with a refusal that names --sure."""
    if not odd or sure:
        return
    for line in odd:
        click.echo(f"valuer: {line}", err=True)
    if not sys.stdin.isatty():
        raise click.ClickException("does that look right? Correct it, or say --sure")
    if not click.confirm("Does that look right?", err=True):
        raise click.ClickException("nothing was written down")


@contextmanager
def plainly() -> Iterator[None]:
    """Turn a refusal of the records into one of the command line."""
    from pydantic import ValidationError

    from valuer.records.files import BadFile
    from valuer.records.store.problems import StoreProblem

    try:
        yield
    except (StoreProblem, BadFile) as refusal:
        raise click.ClickException(str(refusal)) from None
    except ValidationError as error:
        wrong = error.errors(include_url=False)[0]
        raise click.ClickException(str(wrong["msg"])) from None


@contextmanager
def records_at(where: str | None) -> "Iterator[Store]":
    """The store at an address, closed afterwards."""
    with plainly():
        from valuer.records.store.store import open_store

        store = open_store(now(), where)
        try:
            yield store
        finally:
            store.close()


@click.command()
@file_argument
@only_option
@click.option(
    "--paid", type=Figure(), metavar="MONEY", help="What it cost to buy and fetch; one machine only."
)
@click.option(
    "--hours",
    type=Figure(0, 1_000, "hours"),
    metavar="HOURS",
    help="Your hours for fetching it and the first look.",
)
@click.option("--name", metavar="NAME", help="What you call it, for one machine in words.")
@sure_option
@day_option
@store_option
def take(
    file: str,
    only: tuple[str, ...],
    name: str | None,
    *,
    sure: bool,
    paid: float | None,
    hours: float | None,
    day: date | None,
    where: str | None,
) -> None:
    """Take machines in, or measure them again.

    WHICH is a file as for `valuer price`, or one machine in your own words with its --name. A machine on the
    bench gets the findings and readings of the file in place of its own; words are put over what is known of
    it, and the rest stays. What was done to it stays on record.
    """
    from valuer.intake.added import with_said
    from valuer.intake.doubts import about_intake
    from valuer.records.bench import taken

    machines_read, said = _to_take(file, only, name)
    found = {machine.id: machine for machine in machines_read}
    if len(found) > 1 and (paid is not None or hours is not None):
        raise click.ClickException(
            f"--paid, --hours: the file holds {len(found)} machines; name one with --machine"
        )
    on = day or today()
    for machine in found.values():
        look_right(about_intake(on, today(), hours, paid, machine.new_price), sure=sure)

    def put_over(name: str, before: "MachineEntry | None") -> "Machine":
        return with_said(before.machine, said) if before and said else found[name]

    with records_at(where) as store:
        written = store.put(
            list(found), lambda name, before: taken(before, put_over(name, before), on, paid, hours), now()
        )
    for before, after in written:
        what = "taken in" if before is None else "nothing new" if before == after else "measured again"
        rest = "; what was not said stays as it was" if said and what == "measured again" else ""
        click.echo(f"{after.id}: {what}{rest}.")


def _to_take(
    file: str, only: Sequence[str], name: str | None
) -> "tuple[tuple[Machine, ...], Understood | None]":
    """The machines to take in, and what was said of one in words.

    A line of words needs a name, for the records know no machine called `it`.
    """
    from valuer.cli.asked import is_file, say, understood
    from valuer.records.files import name_of

    if is_file(file) and name is None:
        return machines(file, only), None
    if name is None:
        machines(file, only)  # says what is wrong with a file that is not there, or what was understood
        raise click.ClickException("--name: give the machine a name, such as --name green-1")
    if is_file(file):
        raise click.ClickException(f"--name: is for a machine in words; {name_of(file)} names its own")
    read = understood(file, name)
    say(read)
    return (read.machine,), read


@click.command()
@id_argument
@click.option(
    "--ask", type=Figure(), required=True, metavar="MONEY", help="Price asked at the end of the week."
)
@click.option(
    "--offer", "offers", type=Figure(), multiple=True, metavar="MONEY", help="An offer; may be repeated."
)
@click.option("--enquiries", type=Count(0, 10_000), metavar="NUMBER", help="People who asked.")
@click.option("--no-shows", type=Count(0, 10_000), metavar="NUMBER", help="Appointments nobody kept.")
@sure_option
@day_option
@store_option
def listed(machine_id: str, day: date | None, where: str | None, *, sure: bool, **week: Any) -> None:
    """Write down a listed week.

    One entry a week: what was asked, what was offered. A second one for the same week replaces it.
    """
    from valuer.intake.doubts import about_week
    from valuer.records.bench import offered
    from valuer.records.entries import ListingWeek

    look_right(about_week(day or today(), today()), sure=sure)
    with records_at(where) as store:
        told = ListingWeek(week_of=day or today(), **week)
        kept = store.change(machine_id, lambda entry: offered(entry, told), now())
    up = (told.week_of - kept.entry.weeks[0].week_of).days // 7 + 1
    click.echo(f"{machine_id}: {told.ask:g} asked in the week of {told.week_of}, week {up} listed.")


@click.command()
@id_argument
@click.argument("price", type=Figure(), required=False)
@click.option(
    "--as",
    "sold_as",
    type=click.Choice(SOLD_AS),
    default="working",
    metavar="HOW",
    help=f"How it left: {', '.join(SOLD_AS)} [working].",
)
@click.option("--fees", type=Figure(), metavar="MONEY", help="Fees and costs of the sale.")
@click.option(
    "--hours",
    type=Figure(0, 1_000, "hours"),
    metavar="HOURS",
    help="Your hours for listing, answering, showing.",
)
@click.option("--undo", is_flag=True, help="Take a sale back that was written down by mistake.")
@sure_option
@day_option
@store_option
@money_terms
def sold(
    machine_id: str,
    price: float | None,
    *,
    undo: bool,
    sure: bool,
    day: date | None,
    where: str | None,
    terms: "ShopTerms",
    **how: Any,
) -> None:
    """Write down a sale.

    What machine ID was expected to bring is kept beside PRICE, with the model that said so.
    """
    from valuer.cli.model import reckoning
    from valuer.cli.show_records import after_sale
    from valuer.intake.doubts import about_sale
    from valuer.records import bench
    from valuer.records.entries import Sale

    if undo == (price is not None):
        raise click.ClickException("expected the price, or --undo to take the sale back")
    with records_at(where) as store:
        if undo:
            store.change(machine_id, bench.unsold, now())
            click.echo(f"{machine_id}: the sale is taken back; it stands on the bench.")
            return
        on, machine = day or today(), store.entry(machine_id).entry.machine
        with one_line(), reckoning() as adviser:
            said = adviser.prediction(machine, terms.model_copy(update={"month": on.month}))
        told = {"sold_on": on, "price": price, "prediction": said}
        sale = Sale.model_validate(told | how)
        odd = about_sale(sale.price, sale.sold_as, said.amount, on, today(), sale.hours)
        look_right(odd, sure=sure)
        kept = store.change(machine_id, lambda entry: bench.sold(entry, sale), now())
    after_sale(kept.entry)


@click.command()
@click.option("--sold", "which", flag_value="sold", help="Only the sold ones.")
@click.option("--bench", "which", flag_value="bench", help="Only those on the bench.")
@click.option(
    "--remove",
    metavar="ID",
    shell_complete=completing.machines,
    help="Remove a machine from the records, with all that hangs on it.",
)
@store_option
@json_option
def records(which: str | None, remove: str | None, where: str | None, *, as_json: bool) -> None:
    """What is on record, and what it earned.

    The ledger counts money and hours already spent; no advice does.
    """
    from valuer.cli import show_records
    from valuer.cli.progress import lasting
    from valuer.records.ledger import ledger

    with records_at(where) as store:
        if remove:
            store.remove(remove, now())
            click.echo(f"{remove}: removed from the records.")
            return
        chosen: Any = which or "all"
        with lasting("reading the records"):
            accounts = ledger(kept.entry for kept in store.entries(chosen))
    if as_json:
        click.echo(accounts.model_dump_json(indent=2))
    else:
        show_records.ledger(accounts)


@click.command()
@click.option("--csv", "as_csv", is_flag=True, help="Write CSV; without it JSON.")
@store_option
def export(*, as_csv: bool, where: str | None) -> None:
    """Write everything on record, as JSON or CSV.

    Either can be read by `valuer import`: valuer export > records.json. Pictures and own terms stand in JSON only.
    """
    from valuer.cli.progress import lasting
    from valuer.records import book_files

    with records_at(where) as store, lasting("reading the records"):
        text = (book_files.as_csv if as_csv else book_files.as_json)(store.everything())
    write_out(text)


@click.command("import")
@click.argument("file", metavar="FILE")
@click.option("--dry-run", is_flag=True, help="Say what would change, and change nothing.")
@click.option("--replace", is_flag=True, help="Where the file differs from the records, take the file's.")
@store_option
def import_(file: str, *, dry_run: bool, replace: bool, where: str | None) -> None:
    """Add records from a file, all or nothing.

    FILE is what `valuer export` writes, or a table of sales: columns of a machine file, sold_on, price. With
    kind sale_seen or ask_seen a row is a price seen around. The same file twice adds nothing.
    """
    from valuer.cli import show_records
    from valuer.cli.progress import lasting
    from valuer.records.imports import compared, imported, text_of

    with plainly():
        name, text = text_of(file)
    words: list[str] = []
    with records_at(where) as store, lasting("importing"):
        found = (
            compared(store, name, text, words.append)
            if dry_run
            else imported(store, name, text, now(), replace=replace, say=words.append)
        )
    for line in words:
        click.echo(line)
    show_records.difference(found, dry_run=dry_run)


@click.command()
@click.argument("to", type=click.Path(path_type=Path), required=False)
@store_option
def backup(to: Path | None, where: str | None) -> None:
    """Copy the records, also while they are in use.

    The copy goes to TO, or beside the records into the folder backups.
    """
    from valuer.cli.progress import lasting
    from valuer.records.store.store import backup_store

    with plainly(), lasting("copying"):
        copy = backup_store(now(), where, to)
    click.echo(printable(f"copied to {copy}"))


@click.command()
@click.argument("copy", type=click.Path(path_type=Path), required=False)
@store_option
def restore(copy: Path | None, where: str | None) -> None:
    """Put a copy in the place of the records.

    Without COPY it lists those there are. What stood in the place is kept among them.
    """
    from valuer.cli.progress import lasting
    from valuer.records.store.store import restore_store, store_backups

    with plainly():
        if copy is None:
            _list(store_backups(where))
            return
        with lasting("looking through the copy"):
            kept = restore_store(copy, now(), where)
    click.echo(printable(f"restored from {copy}" + (f"; what stood there is kept as {kept}" if kept else "")))


def _list(copies: Sequence[Path]) -> None:
    if not copies:
        click.echo("no backups yet; `valuer backup` makes one")
    for copy in copies:
        aside = copy.stem.endswith("-damaged")
        click.echo(printable(f"set aside, damaged: {copy}" if aside else f"valuer restore {copy}"))


commands: Sequence[click.Command] = (
    take,
    listed,
    sold,
    records,
    export,
    import_,
    backup,
    restore,
)
