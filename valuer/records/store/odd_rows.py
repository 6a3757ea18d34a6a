"""Which row of a store holds what nobody wrote: named by table and key, whatever is wrong with it."""

import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from pydantic import ValidationError
from sqlalchemy import Connection, Table, select, type_coerce
from sqlalchemy.types import NullType

from valuer.records.store.beside import deed_of
from valuer.records.store.rows import Row, comparable_of, entry_of, fix_of, sale_of, week_of
from valuer.records.store.tables import (
    comparables,
    deeds,
    fixes_done,
    listing_weeks,
    machines,
    metadata,
    own_terms,
    sales,
)

Reader = Callable[[Row], object]


READERS: dict[Table, Reader] = {
    machines: lambda row: entry_of(row, (), (), None),
    fixes_done: fix_of,
    listing_weeks: week_of,
    sales: sale_of,
    comparables: comparable_of,
    own_terms: lambda row: json.loads(row["document"]),
    deeds: deed_of,
}
"""What reads a row of each table; rows of the others are read once their cells are."""


def odd_row(connection: Connection) -> str | None:
    """The first row that cannot be read, as ``table sales, row green-1: why``; None where all can."""
    return next(_odd(connection), None)


def _odd(connection: Connection) -> Iterator[str]:
    for table in metadata.sorted_tables:
        for raw in connection.execute(select(*(type_coerce(each, NullType()) for each in table.c))):
            try:
                row = dict(_cells(connection, table, raw))
                READERS.get(table, dict)(row)
            except Exception as error:  # noqa: BLE001 - whatever keeps it from being read is the finding
                key = ", ".join(
                    repr(value)[:40] for column, value in zip(table.c, raw, strict=True) if column.primary_key
                )
                yield f"table {table.name}, row {key} cannot be read: {_why(error)}"
    yield from _odd_entries(connection)


def _cells(connection: Connection, table: Table, raw: Iterable[Any]) -> Iterator[tuple[str, Any]]:
    """The cells of a row as its columns read them; raises ValueError or TypeError for one of another kind."""
    for column, value in zip(table.c, raw, strict=True):
        if value is None:
            if not column.nullable:
                raise ValueError(f"{column.name} is missing")
            yield column.name, None
            continue
        read = column.type.dialect_impl(connection.dialect).result_processor(connection.dialect, None)
        found = read(value) if read else value
        if not isinstance(found, column.type.python_type):
            raise TypeError(f"{column.name} holds {type(found).__name__}")
        yield column.name, found


def _odd_entries(connection: Connection) -> Iterator[str]:
    """Machines whose rows can be read one by one and do not go together."""
    below: dict[Table, dict[str, list[Row]]] = {}
    for table in (fixes_done, listing_weeks, sales):
        rows = below.setdefault(table, {})
        for row in connection.execute(select(table)).mappings():
            rows.setdefault(row["machine_id"], []).append(row)
    for row in connection.execute(select(machines)).mappings():
        fixes, weeks, sold = (below[table].get(row["id"], []) for table in (fixes_done, listing_weeks, sales))
        try:
            entry = entry_of(row, fixes, weeks, sold[0] if sold else None)
        except ValueError as error:
            yield f"table machines, row {row['id']!r} does not go with what hangs on it: {_why(error)}"
            continue
        if entry.id != row["id"]:
            yield f"table machines, row {row['id']!r} tells of {entry.id!r}"


def _why(error: Exception) -> str:
    words = error.errors()[0]["msg"] if isinstance(error, ValidationError) else str(error)
    return " ".join(words.split())[:120]
