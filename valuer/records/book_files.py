"""The records as files: JSON, and CSV with a row a machine. Either can be read again.

JSON carries everything; pictures and own terms have no place in a table.

In CSV the columns of a machine file are followed by those of RECORD. `kind` is empty or `own` for own
machines, `sale_seen` or `ask_seen` for prices seen around; `fixes`, `weeks` and `prediction` hold JSON.
"""

import csv
import io
import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from valuer.domain.bounds import MOST_NAMES, MOST_WRONG
from valuer.domain.machine import Machine
from valuer.domain.words import shown
from valuer.records.cells import LISTS, PAIRS, Unreadable, figure, tidy, wire_value
from valuer.records.entries import Book, Comparable, MachineEntry
from valuer.records.files import (
    BadFile,
    Problem,
    Row,
    Say,
    Taken,
    column,
    csv_rows,
    is_json,
    json_in,
    say_taken,
    taken_words,
    unsaid,
)
from valuer.records.own_terms import OwnTerms
from valuer.records.picture_files import PictureFile
from valuer.records.strict_json import BadJson, parse

RECORD = (
    "kind",
    "taken_on",
    "paid",
    "hours",
    "sold_on",
    "price",
    "sold_as",
    "fees",
    "selling_hours",
    "fixes",
    "weeks",
    "prediction",
)
COLUMNS = (*Machine.model_fields, *RECORD)
NUMBERS = {"paid", "hours", "price", "fees", "selling_hours"}
DOCUMENTS = {"fixes", "weeks", "prediction"}
FORMULA = (
    "=",
    "+",
    "-",
    "@",
    "\uff1d",
    "\uff0b",
    "\uff0d",
    "\uff20",
)  # the wide ones of East Asian keyboards too
FORM = "valuer records 1"
PARTS = {"form", "machines", "comparables", "pictures", "own_terms"}


def book_in(name: str, text: str, say: Say = unsaid) -> Book:
    """The records in the text of a file called ``name``; raises BadFile with every problem found.

    ``say`` hears which words were taken for others.
    """
    if not text.strip():
        raise BadFile(name, [Problem("", "", "the file is empty; `valuer export` shows what one looks like")])
    if not is_json(name, text):
        return _book(name, _csv_entries(csv_rows(name, text, COLUMNS, _value)), say)
    top = _top(name, text)
    book = _book(name, _json_rows(name, top), say)
    return book.model_copy(update=_beside(name, top, {entry.id for entry in book.machines}))


Kept = TypeVar("Kept", bound=BaseModel)
Kind = type[MachineEntry] | type[Comparable]
Read = tuple[str, Kind, dict[str, Any], tuple[Problem, ...], tuple[Taken, ...]]
"""Where it stands, what it is, its values as JSON carries them, what could not be read, words taken for others."""


def _top(name: str, text: str) -> dict[str, Any]:
    top = json_in(name, text)
    if not isinstance(top, dict) or not {*top} <= PARTS or top.get("form", FORM) != FORM:
        what = f"expected an object with form {FORM!r}, machines and comparables, got {shown(top, 40)}"
        raise BadFile(name, [Problem("", "", f"{what}; `valuer export` writes one")])
    return top


def _beside(name: str, top: dict[str, Any], ids: Collection[str]) -> dict[str, Any]:
    """Pictures and own terms, which stand in JSON only; raises BadFile."""
    listed = top.get("pictures", [])
    problems: list[Problem] = []
    pictures: list[PictureFile] = []
    if not isinstance(listed, list):
        raise BadFile(name, [Problem("", "pictures", f"expected a list, got {shown(listed)}")])
    for number, wire in enumerate(listed, start=1):
        place = f"pictures {number}"
        found, more = _checked(place, PictureFile, wire)
        problems += more
        if isinstance(found, PictureFile):
            pictures.append(found)
            if found.machine not in ids:
                problems.append(Problem(place, "machine", f"no machine {found.machine!r} in the file"))
        if len(problems) >= MOST_WRONG:
            break
    own, more = _checked("own_terms", OwnTerms, top["own_terms"]) if "own_terms" in top else (None, ())
    problems += more
    if problems:
        raise BadFile(name, problems)
    return {"pictures": tuple(pictures), "own_terms": own}


def _json_rows(name: str, top: dict[str, Any]) -> Iterator[Read]:
    kinds: dict[str, Kind] = {"machines": MachineEntry, "comparables": Comparable}
    for key, kind in kinds.items():
        listed = top.get(key, [])
        if not isinstance(listed, list):
            raise BadFile(name, [Problem("", key, f"expected a list, got {shown(listed)}")])
        for number, wire in enumerate(listed, start=1):
            place = f"{key} {number}"
            if isinstance(wire, dict):
                yield _json_row(place, kind, wire)
            else:
                problem = Problem(place, "", f"expected an object, got {shown(wire)}")
                yield place, kind, {}, (problem,), ()


def _json_row(place: str, kind: Kind, wire: dict[str, Any]) -> Read:
    """A record whose machine is read as one of a machine file is."""
    machine = wire.get("machine")
    if not isinstance(machine, dict) or len(machine) > MOST_NAMES:
        return place, kind, wire, (), ()
    try:
        read = tidy(machine)
    except Unreadable as error:
        return place, kind, wire, (Problem(place, "", str(error)),), ()
    return place, kind, {**wire, "machine": read}, (), taken_words(machine, read)


def _value(name: str, cell: str, *, point: bool = True) -> Any:
    """One cell as the value that JSON would carry; raises Unreadable."""
    if name in DOCUMENTS:
        try:
            return parse(cell)
        except BadJson:
            raise Unreadable(f"expected JSON as `valuer export` writes it, got {shown(cell)}") from None
    if name in NUMBERS:
        return figure(name, cell, point=point)
    if name in RECORD:
        return cell
    return _unguarded(cell) if name == "note" else wire_value(name, _unguarded(cell).strip(), point=point)


def _csv_entries(rows: Iterable[Row]) -> Iterator[Read]:
    for row in rows:
        if not row.whole:
            yield row.place, MachineEntry, {}, row.problems, ()
        elif row.wire.get("kind", "own") == "own":
            yield row.place, MachineEntry, _own(row.wire), row.problems, row.taken
        else:
            yield row.place, Comparable, _seen(row.wire), row.problems, row.taken


def _own(wire: dict[str, Any]) -> dict[str, Any]:
    told = {name: wire.pop(name) for name in RECORD if name in wire}
    entry: dict[str, Any] = {name: told[name] for name in ("paid", "hours", "fixes", "weeks") if name in told}
    entry["machine"] = wire
    entry["taken_on"] = told.get("taken_on", told.get("sold_on"))
    sale: dict[str, Any] = {
        name: told[name] for name in ("sold_on", "price", "sold_as", "fees", "prediction") if name in told
    }
    if "selling_hours" in told:
        sale["hours"] = told["selling_hours"]
    return entry | ({"sale": sale} if sale else {})


def _seen(wire: dict[str, Any]) -> dict[str, Any]:
    told = {name: wire.pop(name) for name in RECORD if name in wire}
    seen = {"kind": told.pop("kind"), "price": told.pop("price", None), "seen_on": told.pop("sold_on", None)}
    return seen | {"machine": wire} | told  # what does not belong to it is refused by its name


def _book(name: str, rows: Iterator[Read], say: Say) -> Book:
    machines: list[MachineEntry] = []
    comparables: list[Comparable] = []
    problems: list[Problem] = []
    places: dict[str, str] = {}
    taken: list[Taken] = []
    for place, kind, wire, wrong, words in rows:
        found, more = (None, wrong) if wrong else _checked(place, kind, wire)
        problems += more
        taken += words
        if len(problems) >= MOST_WRONG:
            break
        if isinstance(found, Comparable):
            comparables.append(found)
        elif isinstance(found, MachineEntry):
            first = places.setdefault(found.id, place)
            if first != place:
                what = f"{shown(found.id)} is used in {first} already; give each machine its own"
                problems.append(Problem(place, "id", what))
            machines.append(found)
    if problems:
        raise BadFile(name, problems)
    say_taken(name, taken, say)
    if not machines and not comparables:
        raise BadFile(name, [Problem("", "", "holds no machine and no price; `valuer export` writes a file")])
    return Book(machines=tuple(machines), comparables=tuple(comparables))


def _checked(place: str, kind: type[Kept], wire: Any) -> tuple[Kept | None, tuple[Problem, ...]]:
    try:
        return kind.model_validate(wire), ()
    except ValidationError as error:
        return None, tuple(
            _problem(place, each["loc"], each["msg"]) for each in error.errors(include_url=False)
        )


def _problem(place: str, loc: tuple[int | str, ...], words: str) -> Problem:
    where = loc[1:] if loc[:1] in (("machine",), ("sale",)) and len(loc) > 1 else loc
    return Problem(place, column(where), words)


def as_json(book: Book) -> str:
    """Everything on record as JSON, unknowns left out."""
    wire: dict[str, Any] = {
        "form": FORM,
        "machines": [_told(entry) for entry in book.machines],
        "comparables": [_told(seen) for seen in book.comparables],
    }
    if book.own_terms:
        wire["own_terms"] = _told(book.own_terms)
    if book.pictures:
        wire["pictures"] = [_told(picture) for picture in book.pictures]
    return json.dumps(wire, indent=1, ensure_ascii=False) + "\n"


def _told(record: BaseModel) -> Any:
    return json.loads(record.model_dump_json(exclude_none=True, exclude_defaults=True))


def as_csv(book: Book) -> str:
    """Everything on record as CSV. No cell begins as a formula does, so a spreadsheet runs nothing."""
    own = [_machine_cells(entry.machine) | _entry_cells(entry) for entry in book.machines]
    seen = [_machine_cells(each.machine) | _seen_cells(each) for each in book.comparables]
    return "".join([_line(COLUMNS), *map(_row, own + seen)])


def machines_csv(machines: Iterable[Machine]) -> str:
    """Machines as a CSV machine file, every column there, unknowns empty."""
    columns = tuple(Machine.model_fields)
    rows = (_guarded(_machine_cells(machine)) for machine in machines)
    return "".join([_line(columns), *(_line([row.get(name) for name in columns]) for row in rows)])


def machines_json(machines: Iterable[Machine]) -> str:
    """Machines as a JSON machine file, unknowns left out."""
    wire = {"machines": [_told(machine) for machine in machines]}
    return json.dumps(wire, indent=2, ensure_ascii=False) + "\n"


def _seen_cells(seen: Comparable) -> dict[str, Any]:
    return {"kind": seen.kind, "sold_on": seen.seen_on.isoformat(), "price": seen.price}


def _row(cells: Mapping[str, Any]) -> str:
    guarded = _guarded(cells)
    return _line([guarded.get(name) for name in COLUMNS])


def _line(cells: Iterable[Any]) -> str:
    """One line; written as if it ended in both marks of a line end, for only then are both quoted inside cells."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue().removesuffix("\r\n") + "\n"


def _machine_cells(machine: Machine) -> dict[str, Any]:
    told: dict[str, Any] = _told(machine)
    pairs = {name: told.pop(name) for name in sorted(PAIRS) if name in told}
    cells = {name: _plain(value) for name, value in told.items()}
    cells |= {name: ";".join(f"{k}:{_plain(v)}" for k, v in of.items()) for name, of in pairs.items()}
    return cells | {name: ";".join(told[name]) for name in sorted(LISTS) if name in told}


def _plain(value: Any) -> Any:
    if isinstance(value, list):
        return " ".join(str(_plain(each)) for each in value)
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value


def _entry_cells(entry: MachineEntry) -> dict[str, Any]:
    told = _told(entry)
    sale = told.get("sale", {})
    cells: dict[str, Any] = {
        "taken_on": told["taken_on"],
        "paid": told.get("paid"),
        "hours": told.get("hours"),
    }
    cells |= {name: json.dumps(told[name]) for name in ("fixes", "weeks") if name in told}
    cells |= {name: sale.get(name) for name in ("sold_on", "price", "sold_as", "fees")}
    cells["selling_hours"] = sale.get("hours")
    if "prediction" in sale:
        cells["prediction"] = json.dumps(sale["prediction"])
    return cells


def _guarded(cells: Mapping[str, Any]) -> dict[str, Any]:
    """The cells with an apostrophe before what a spreadsheet, or our own reader, would not take as it stands."""
    return {
        name: f"'{value}" if isinstance(value, str) and _needs_guard(value) else value
        for name, value in cells.items()
    }


def _needs_guard(text: str) -> bool:
    """Whether it begins as a formula does, with a blank (a tab and a line end are), or with the guard itself."""
    return text.startswith((*FORMULA, "'")) or text[:1].isspace()


def _unguarded(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and _needs_guard(cell[1:]) else cell
