"""The book as it was read last, brought up to date by what changed since: an entry is read and understood once.

Every change gives the store another mark. One made here tells between which marks it lies and whose entries it wrote.
Where such changes alone lead from the mark of the last reading to that of now, those entries are read and no others;
where somebody else wrote in between, the stamps of all entries say which are not what they were.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date
from threading import Lock

from sqlalchemy import Connection, select

from valuer.records.entries import Book, Comparable, MachineEntry
from valuer.records.store.reading import named, pieces, stamps_of, whole_entries
from valuer.records.store.rows import comparable_of
from valuer.records.store.tables import changes, comparables

Mark = tuple[object, ...]
"""Count and mark of the last change."""

Stamped = tuple[tuple[object, ...] | None, MachineEntry]
"""An entry beside its stamp when it was read; None where nobody asked for it."""


def mark_of(connection: Connection) -> Mark:
    """What differs once anything in the store has changed, whatever the clock says."""
    return tuple(connection.execute(select(changes.c.number, changes.c.mark)).one())


@dataclass(frozen=True)
class _Known:
    """The book at a mark, its entries by id, and its prices seen around by content."""

    mark: Mark | None = None
    entries: Mapping[str, Stamped] = field(default_factory=dict)
    seen: Mapping[str, Comparable] = field(default_factory=dict)
    book: Book = field(default_factory=Book)


class KeptBook:
    """That of one open store."""

    def __init__(self) -> None:
        self._known = _Known()
        self._reading, self._noting = Lock(), Lock()
        self._end: Mark | None = None
        self._ids = set[str]()
        self._alone = False

    def wrote(self, before: Mark, after: Mark, ids: Collection[str] | None) -> None:
        """Note a change between two marks that wrote or removed these entries and no others; None: nobody says which.

        What stands under these ids from now on is not what stood there, whatever its stamp says.
        """
        with self._noting:
            self._alone = self._alone and before == self._end and ids is not None
            self._end = after
            self._ids.update(ids or ())

    def read(self, connection: Connection) -> Book:
        """The book as the connection sees it."""
        with self._reading:
            with self._noting:
                written, alone, end = set(self._ids), self._alone, self._end
            mark = mark_of(connection)
            if mark != self._known.mark:
                bring = _after_these if alone and end == mark else _after_others
                self._known = bring(connection, mark, self._known, written)
            with self._noting:
                self._alone = self._end == end
                if self._alone:
                    self._end = mark
                    self._ids.clear()
            return self._known.book


def _after_these(connection: Connection, mark: Mark, known: _Known, written: set[str]) -> _Known:
    """The book after changes that wrote these entries and no others."""
    entries, machines = dict(known.entries), list(known.book.machines)
    for name in written & entries.keys():
        _, gone = entries.pop(name)
        del machines[bisect_left(machines, _place(gone), key=_place)]
    fresh = _read(connection, written)
    for entry in fresh:
        insort(machines, entry, key=_place)
    return _known(connection, mark, known, entries | {entry.id: (None, entry) for entry in fresh}, machines)


def _after_others(connection: Connection, mark: Mark, known: _Known, written: set[str]) -> _Known:
    """The book after changes by others too: what has another stamp, or was written here, is read."""
    stamps = stamps_of(connection)
    entries = {
        name: known.entries[name]
        for name in stamps.keys() & known.entries.keys() - written
        if known.entries[name][0] == stamps[name]
    }
    fresh = _read(connection, stamps.keys() - entries.keys())
    entries |= {entry.id: (stamps[entry.id], entry) for entry in fresh}
    machines = sorted((entry for _, entry in entries.values()), key=_place)
    return _known(connection, mark, known, entries, machines)


def _read(connection: Connection, names: Collection[str]) -> list[MachineEntry]:
    """The entries of these ids, those that there are."""
    some_by_some = (whole_entries(connection, named(some)) for some in pieces(sorted(names)))
    return [kept.entry for some in some_by_some for kept in some]


def _known(
    connection: Connection,
    mark: Mark,
    known: _Known,
    entries: Mapping[str, Stamped],
    machines: list[MachineEntry],
) -> _Known:
    """What is known now; prices seen around are never written again, so one is told by its content."""
    listed = select(comparables.c.content).order_by(comparables.c.seen_on, comparables.c.id)
    contents = list(connection.execute(listed).scalars())
    seen = dict(known.seen)
    for some in pieces([content for content in contents if content not in seen]):
        rows = connection.execute(select(comparables).where(comparables.c.content.in_(some)))
        seen |= {row["content"]: comparable_of(row) for row in rows.mappings()}
    seen = {content: seen[content] for content in contents}
    # Each part is a valid record already.
    return _Known(
        mark, entries, seen, Book.model_construct(machines=tuple(machines), comparables=tuple(seen.values()))
    )


def _place(entry: MachineEntry) -> tuple[bool, date, date, str]:
    """The place of an entry in the book: the bench first in the order of taking in, then the sold in that of sale."""
    sold_on = entry.sale.sold_on if entry.sale else None
    return sold_on is not None, sold_on or date.min, entry.taken_on, entry.id
