"""Take back what was written down lately."""

from datetime import timedelta
from typing import TYPE_CHECKING

import click

from valuer.cli import completing
from valuer.cli.options import Count, json_option
from valuer.cli.records import records_at, store_option
from valuer.clock import now
from valuer.domain.words import printable

if TYPE_CHECKING:
    from valuer.records.deeds import DeedDone

SHOWN = 20  # deeds spelt out before "and N more"


@click.command()
@click.argument("machine_id", metavar="[ID]", required=False, shell_complete=completing.machines)
@click.option("--list", "listed", is_flag=True, help="Show what was written down, and take nothing back.")
@click.option(
    "--days",
    type=Count(0, 31),
    default=0,
    metavar="NUMBER",
    help="With --list: so many days before today too [0].",
)
@store_option
@json_option
def undo(machine_id: str | None, days: int, where: str | None, *, listed: bool, as_json: bool) -> None:
    """Take back what was written down last.

    All that was done at once goes back together: a file taken in, an import. With ID it is the last deed on that
    machine alone. Said again, it takes back the one before.
    """
    from valuer.records.deeds import Deeds, told

    with records_at(where) as store:
        if listed:
            midnight = now().astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
            every = told(store.deeds(midnight - timedelta(days=days)))
            done = tuple(each for each in every if machine_id in (None, each.id))
        else:
            last = store.last_deed(machine_id)
            if machine_id is None:
                done = told(store.undo_at_once(last.number, now()))
            else:
                store.undo(last.number, now())
                done = told([store.deed(last.number)])
    if as_json:
        click.echo(Deeds(deeds=done).model_dump_json(indent=2))
        return
    for deed in done[:SHOWN]:
        click.echo(printable(_line(deed) if listed else f"taken back: {_what(deed)}"))
    if len(done) > SHOWN:
        click.echo(f"and {len(done) - SHOWN} more")
    if not done:
        click.echo("Nothing was written down today; --days 7 looks further back.")


def _line(deed: "DeedDone") -> str:
    when = f"{deed.at.astimezone():%Y-%m-%d %H:%M}"
    return f"{when}  {_what(deed)}{' (taken back)' if deed.undone else ''}"


def _what(deed: "DeedDone") -> str:
    return f"{deed.id}: {deed.words}" if deed.id else deed.words


commands = (undo,)
