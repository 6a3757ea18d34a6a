"""Large plain tables of sales, row by row into the store without a record for each.

Every different cell is read and checked once, by the very code that reads any other file, and kept as the
piece of text that it becomes in the store. A table with anything out of the ordinary in it is left to that
code: nothing is refused here, and what is taken is the same to the letter.
"""

import csv
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic import ValidationError
from sqlalchemy import insert, select

from valuer.domain.faults import fault_order
from valuer.domain.machine import ID_PATTERN, MOST_OF_ID, Machine
from valuer.records.cells import LISTS, NUMBER, PAIRS, Unreadable, wire_value
from valuer.records.entries import MachineEntry, Sale, parse_day
from valuer.records.files import Lines, taken_words
from valuer.records.store.rows import hundredths, wire
from valuer.records.store.store import Store
from valuer.records.store.tables import machines, sales

NOT_PLAIN = {"id", "note", "called", "maker", "model", "serial", *LISTS, *PAIRS}
ATTRIBUTES = tuple(name for name in Machine.model_fields if name not in NOT_PLAIN)
FIT = ("drive", "start", "blade_clutch")
"""Attributes that rule some faults out, so that faults are checked together with them."""

SALE = ("taken_on", "paid", "sold_on", "price")
COLUMNS = {"id", *ATTRIBUTES, "faults", *SALE}


@dataclass(frozen=True)
class PlainTable:
    """Rows for the tables of machines and sales, in the order of MACHINE_COLUMNS and SALE_COLUMNS."""

    ids: tuple[str, ...]
    machines: list[tuple[Any, ...]]
    sales: list[tuple[Any, ...]]


MACHINE_COLUMNS = ("id", "document", "taken_on", "paid_cents", "version", "recorded_at", "changed_at")
SALE_COLUMNS = ("machine_id", "sold_on", "price_cents", "sold_as")


class _Read(dict[Any, Any]):
    """What each different cell becomes; a new one is read when it is first met."""

    def __init__(self, read: Callable[[Any], Any]) -> None:
        super().__init__()
        self._read = read

    def __missing__(self, cell: Any) -> Any:
        found = self._read(cell)
        self[cell] = found
        return found


def plain_table(text: str, now: datetime) -> PlainTable | None:
    """Return the rows of a plain CSV table of own sales; None where it is anything else, or wrong."""
    try:
        rows = _rows(text)
        header = next(rows, [])
        if not {"id", "sold_on", "price"} <= set(header) <= COLUMNS or len(set(header)) < len(header):
            return None
        return _table(header, rows, now)
    except (csv.Error, ValidationError, Unreadable, ValueError):
        return None


def _rows(text: str) -> Iterator[list[str]]:
    lines = Lines("", text)
    for row in csv.reader(lines, strict=True):
        lines.row_done()
        yield row


def _table(header: Sequence[str], rows: Iterable[Sequence[str]], now: datetime) -> PlainTable | None:
    """The rows of the store; raises as the careful reader does, or returns None, where a row is not plain."""
    known = [(header.index(name), _Read(_attribute(name))) for name in ATTRIBUTES if name in header]
    looked_at = (*FIT, "taken_on", "paid", "faults")
    of = {name: header.index(name) if name in header else None for name in looked_at}
    at_id, at_sold, at_price = (header.index(name) for name in ("id", "sold_on", "price"))
    day, price, paid, finding = _Read(_day), _Read(_price), _Read(_paid), _Read(_finding)
    is_id, moment, width = re.compile(ID_PATTERN).fullmatch, now.strftime("%Y-%m-%d %H:%M:%S.%f"), len(header)
    machine_rows, sale_rows = [], []
    for row in rows:
        if len(row) != width or not is_id(row[at_id]) or len(row[at_id]) > MOST_OF_ID:
            return None
        name, sold, told = row[at_id], day[row[at_sold]], _cells(row, of)
        taken = day[told["taken_on"]] if told["taken_on"] else sold
        if sold < taken:
            return None
        parts = [f'"id":"{name}"', *[read[row[at]] for at, read in known if row[at]]]
        if told["faults"]:
            parts.append(
                _faults(told["faults"], (told["drive"], told["start"], told["blade_clutch"]), finding)
            )
        machine_rows.append((name, f"{{{','.join(parts)}}}", taken, paid[told["paid"]], 1, moment, moment))
        sale_rows.append((name, sold, price[row[at_price]], "working"))
    ids = tuple(row[0] for row in machine_rows)
    return PlainTable(ids, machine_rows, sale_rows) if ids and len(set(ids)) == len(ids) else None


def _cells(row: Sequence[str], of: Mapping[str, int | None]) -> dict[str, str]:
    return {name: "" if at is None else row[at] for name, at in of.items()}


def _attribute(name: str) -> Callable[[str], str]:
    def read(cell: str) -> str:
        value = wire_value(name, cell.strip())
        if taken_words({name: cell}, {name: value}):
            raise ValueError("taken for another word: for the careful reader, who says so")
        return _inside(Machine.model_validate({"id": "x", name: value}))

    return read


def _finding(cells: tuple[str, ...]) -> tuple[int, str]:
    """A fault as (its place in the catalogue, its text), checked to fit the machine."""
    told = {name: wire_value(name, cell.strip()) for name, cell in zip(FIT, cells[1:], strict=True) if cell}
    (finding,) = Machine.model_validate({"id": "x", **told, "faults": [cells[0].strip()]}).faults
    return fault_order()[finding.fault], f'"{finding}"'


def _faults(cell: str, fit: tuple[str, ...], read: _Read) -> str:
    found = sorted({read[(piece, *fit)] for piece in cell.split(";")})
    if len({place for place, _ in found}) <= cell.count(";"):
        raise ValueError("a fault twice, or one without a name")
    return f'"faults":[{",".join([text for _, text in found])}]'


def _inside(machine: Machine) -> str:
    """What the store says of a machine, without its id; raises ValueError where that is nothing."""
    text = wire(machine).removeprefix('{"id":"x",')
    if text.startswith("{"):
        raise ValueError("a cell that says nothing")
    return text[:-1]


def _day(cell: str) -> str:
    return parse_day(cell.strip()).isoformat()


def _number(cell: str) -> float:
    if not NUMBER.fullmatch(cell.strip()):
        raise Unreadable("not a number")
    return float(cell)


def _price(cell: str) -> int | None:
    return hundredths(Sale(sold_on=parse_day("2000-01-01"), price=_number(cell)).price)


def _paid(cell: str) -> int | None:
    if not cell:
        return None
    entry = MachineEntry(machine=Machine(id="x"), taken_on=parse_day("2000-01-01"), paid=_number(cell))
    return hundredths(entry.paid)


def add_plain(store: Store, table: PlainTable) -> bool:
    """Add a plain table to a SQLite store in one go; False, and nothing done, where an id is there."""
    with store.writing() as connection:
        if connection.dialect.name != "sqlite":
            return False
        there = set(connection.execute(select(machines.c.id)).scalars())
        if not there.isdisjoint(table.ids):
            return False
        for into, names, rows in (
            (machines, MACHINE_COLUMNS, table.machines),
            (sales, SALE_COLUMNS, table.sales),
        ):
            statement = insert(into).values(dict.fromkeys(names)).compile(connection, column_keys=list(names))
            connection.exec_driver_sql(str(statement), rows)
        return True
