"""What happens to a machine between taking in and sale, as changes of its entry."""

from datetime import date

from valuer.domain.machine import Machine
from valuer.records.after_work import with_fix
from valuer.records.entries import FixDone, ListingWeek, MachineEntry, Sale
from valuer.records.store.problems import Conflict


def taken(
    before: MachineEntry | None,
    machine: Machine,
    on: date,
    paid: float | None = None,
    hours: float | None = None,
) -> MachineEntry:
    """The entry of a machine that is taken in, or of one on the bench that was looked at again."""
    if before is None:
        return MachineEntry(machine=machine, taken_on=on, paid=paid, hours=hours)
    _not_sold(before)
    spent = {name: value for name, value in (("paid", paid), ("hours", hours)) if value is not None}
    return before.model_copy(update={"machine": machine, **spent})


def tried(before: MachineEntry, done: FixDone) -> MachineEntry:
    """The entry after a fix was tried; see `with_fix`."""
    _not_sold(before)
    return with_fix(before, done)


def offered(before: MachineEntry, week: ListingWeek) -> MachineEntry:
    """The entry with a listed week; what was written down for that week before is replaced."""
    _not_sold(before)
    others = [each for each in before.weeks if each.week_of != week.week_of]
    return before.model_copy(update={"weeks": tuple(sorted([*others, week], key=lambda each: each.week_of))})


def sold(before: MachineEntry, sale: Sale) -> MachineEntry:
    """The entry with its sale."""
    _not_sold(before)
    if sale.sold_on < before.taken_on:
        raise Conflict(
            f"{before.id}: taken in on {before.taken_on}, so not sold on {sale.sold_on}; correct the day"
        )
    return before.model_copy(update={"sale": sale})


def unsold(before: MachineEntry) -> MachineEntry:
    """The entry back on the bench: the sale was a mistake, or came to nothing."""
    if before.sale is None:
        raise Conflict(f"{before.id} is not sold, so there is no sale to take back")
    return before.model_copy(update={"sale": None})


def _not_sold(entry: MachineEntry) -> None:
    if entry.sale:
        raise Conflict(
            f"{entry.id} was sold on {entry.sale.sold_on}; take another machine in under an id of its own"
        )
