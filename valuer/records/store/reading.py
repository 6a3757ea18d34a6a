"""What is read from the store: which entries, in which order, whole with their work, weeks and sale."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any, Literal, NamedTuple

from sqlalchemy import Connection, Select, Table, select, type_coerce
from sqlalchemy.types import NullType

from valuer.domain.words import did_you_mean, shown
from valuer.records.entries import MachineEntry
from valuer.records.store.problems import NotThere
from valuer.records.store.rows import Row, entry_of
from valuer.records.store.tables import fixes_done, listing_weeks, machines, sales

Which = Literal["all", "bench", "sold"]
AT_ONCE = 500  # ids named in one query; SQLite takes no more than some thousand
NEAR = 200  # newest ids that a wrong one is compared with


class Kept(NamedTuple):
    """An entry as it stands in the store. ``version`` counts its changes, from 1."""

    entry: MachineEntry
    version: int


def page(which: Which, offset: int, limit: int | None) -> Select[Any]:
    """Return the query for some of the machines, from one on, at most so many; in the order of the book."""
    found = select(machines).join(sales, isouter=True)
    if which != "all":
        found = found.where(
            sales.c.machine_id.is_(None) if which == "bench" else sales.c.machine_id.is_not(None)
        )
    order = sales.c.sold_on.is_not(None), sales.c.sold_on, machines.c.taken_on, machines.c.id
    return found.order_by(*order).offset(offset).limit(limit)


def one_entry(connection: Connection, machine_id: str) -> Kept:
    """Return the entry of one machine; raises NotThere, with ids that are near."""
    found = whole_entries(connection, named([machine_id]))
    if not found:
        known = connection.execute(
            select(machines.c.id).order_by(machines.c.changed_at.desc()).limit(NEAR)
        ).scalars()
        raise NotThere(f"no machine {shown(machine_id)} in the records{did_you_mean(machine_id, known)}")
    return found[0]


def stamps_of(connection: Connection) -> dict[str, tuple[object, ...]]:
    """What differs once an entry was written again, by id.

    A version counts from 1 again where a machine was removed and taken in anew: what this process removed it knows of,
    and what another one did, the moments tell apart.
    """
    moments = [type_coerce(moment, NullType) for moment in (machines.c.recorded_at, machines.c.changed_at)]
    chosen = select(machines.c.id, machines.c.version, *moments)
    return {row[0]: tuple(row[1:]) for row in connection.execute(chosen)}


def whole_entries(connection: Connection, chosen: Select[Any]) -> tuple[Kept, ...]:
    """Return the entries of the machines that a query chooses, in its order."""
    rows = connection.execute(chosen).mappings().all()
    ids = [row["id"] for row in rows]
    fixes = _children(connection, fixes_done, ids, fixes_done.c.place)
    weeks = _children(connection, listing_weeks, ids, listing_weeks.c.week_of)
    sold = _children(connection, sales, ids, sales.c.machine_id)

    def entry(row: Row) -> MachineEntry:
        return entry_of(row, fixes[row["id"]], weeks[row["id"]], next(iter(sold[row["id"]]), None))

    return tuple(Kept(entry(row), row["version"]) for row in rows)


def _children(connection: Connection, table: Table, ids: Sequence[str], order: Any) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = defaultdict(list)
    for some in pieces(ids):
        chosen = select(table).where(table.c.machine_id.in_(some)).order_by(table.c.machine_id, order)
        for row in connection.execute(chosen).mappings():
            found[row["machine_id"]].append(row)
    return found


def named(ids: Sequence[str]) -> Select[Any]:
    """Return the query for the machines of these ids, AT_ONCE at most."""
    return select(machines).where(machines.c.id.in_(ids))


def pieces(ids: Sequence[str]) -> Iterator[Sequence[str]]:
    """Return ids in pieces that one query takes."""
    return (ids[start : start + AT_ONCE] for start in range(0, len(ids), AT_ONCE))
