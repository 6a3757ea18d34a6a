"""Records as plain text."""

from collections.abc import Iterable

import click
from rich.console import Console

from valuer.cli.show import console, names, paid, plain_table, whole, wrapped
from valuer.domain.findings import findings
from valuer.domain.safety import safety_verdict
from valuer.domain.words import counted, printable
from valuer.records.entries import MachineEntry
from valuer.records.ledger import Ledger, LedgerLine
from valuer.records.ledger import ledger as accounts_of
from valuer.records.store.store import Difference

LISTED = 20  # changes spelt out before "and N more"


def after_fix(before: MachineEntry, after: MachineEntry) -> None:
    """What a fix changed, and what has to be measured again before a sale."""
    done, out = after.fixes[-1], console()
    what = f"{done.fault} cured by {done.fix}" if done.cured else f"{done.fix} did not cure {done.fault}"
    out.print(f"{after.id}: {what}.")
    if done.fault not in {finding.fault for finding in findings(before.machine)}:
        wrapped(out, f"{done.fault} was not on its list; the try is on record all the same.")
    again = [check for check in _unchecked(after) if check not in _unchecked(before)]
    if again:
        wrapped(
            out, f"Check again before it is sold as working: {', '.join(again)}. Unmeasured is not passed."
        )


def _unchecked(entry: MachineEntry) -> tuple[str, ...]:
    return safety_verdict(entry.machine).unchecked


def after_sale(entry: MachineEntry) -> None:
    """What a sale brought: against what was expected, and once everything spent is counted."""
    out, (line,) = console(), accounts_of([entry]).lines
    assert entry.sale  # noqa: S101 - it was just written
    said = entry.sale.prediction
    expected = f"; {whole(said.amount)} was expected, {whole(said.low)} to {whole(said.high)}" if said else ""
    out.print(f"{entry.id}: sold for {paid(entry.sale.price)}{expected}.")
    rate = (
        ""
        if line.profit_per_hour is None
        else f", {whole(line.profit_per_hour)} for each of {line.hours:g} h"
    )
    out.print(f"Profit {paid(line.profit or 0)} after {paid(line.spent)} spent{rate}.")
    verdict = safety_verdict(entry.machine)
    if entry.sale.sold_as == "working" and not verdict.may_be_sold:
        open_points = ", ".join((*verdict.must_cure, *verdict.unchecked))
        wrapped(
            out,
            f"On record it was not cleared for sale as a working mower ({open_points}). If so, tell the "
            "buyer not to use it; if it was checked, write the readings down before the sale next time.",
        )


def ledger(accounts: Ledger) -> None:
    """One line a machine and the sums."""
    out = console()
    if not accounts.lines:
        out.print("Nothing on record yet; `valuer take FILE` begins.")
        return
    rows = plain_table(
        "machine", "state", "since", ">paid", ">parts", ">price", ">profit", ">hours", ">per h"
    )
    for line in accounts.lines:
        rows.add_row(*_cells(line))
    out.print(rows)
    names(out, accounts.lines)
    _sums(out, accounts)


def _cells(line: LedgerLine) -> Iterable[str]:
    money = ["-" if each is None else paid(each) for each in (line.paid, line.parts, line.price, line.profit)]
    return (
        line.id,
        line.state,
        line.sold_on or line.taken_on,
        *money,
        f"{line.hours:g}",
        "-" if line.profit_per_hour is None else whole(line.profit_per_hour),
    )


def _sums(out: Console, accounts: Ledger) -> None:
    rate = "" if accounts.profit_per_hour is None else f", {whole(accounts.profit_per_hour)} an hour"
    out.print()
    wrapped(
        out,
        f"{accounts.sold} sold, profit {paid(accounts.profit)} in {accounts.hours:g} h{rate}; "
        f"{accounts.on_bench} on the bench with {paid(accounts.tied_up)} tied up in them. {accounts.note}",
    )


def difference(found: Difference, *, dry_run: bool) -> None:
    """What an import added or would add."""
    word = "would be added" if dry_run else "added"
    click.echo(
        f"{counted(found.added, 'machine')} {word}, {found.same} the same, {len(found.changed)} different."
    )
    for before, after in found.changed[:LISTED]:
        click.echo(f"  {after.id}: {'; '.join(_changes(before, after))}")
    if len(found.changed) > LISTED:
        click.echo(f"  and {len(found.changed) - LISTED} more")
    if found.new_seen or found.same_seen:
        click.echo(f"{counted(len(found.new_seen), 'price')} seen around {word}, {found.same_seen} the same.")
    if found.new_pictures:
        click.echo(f"{counted(found.new_pictures, 'picture')} {word}.")
    if found.own_terms is not None:
        click.echo("Own terms: those of the file." if found.own_terms else "Own terms stay as they are.")
    if found.copy:
        command = printable(f"valuer restore {found.copy}")
        click.echo(f"Too many at once for `valuer undo`; the records as they were: {command}")
    if dry_run:
        click.echo("Nothing was changed.")


def _changes(before: MachineEntry, after: MachineEntry) -> Iterable[str]:
    """Each differing value as ``name old -> new``."""
    old, new = _flat(before), _flat(after)
    for name in sorted(old.keys() | new.keys()):
        if old.get(name) != new.get(name):
            yield f"{name} {old.get(name, 'nothing')} -> {new.get(name, 'nothing')}"


def _flat(entry: MachineEntry) -> dict[str, str]:
    told = entry.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    parts = {**told.pop("machine"), **told}
    return {name: printable(str(value)) for name, value in parts.items()}
