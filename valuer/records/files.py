"""Machine files in: JSON or CSV into Machines, or every bad row named and nothing kept.

A JSON file holds a list of machines, one machine, or ``{"machines": [...], "about": ...}``. A CSV file
has the same names as columns, parted by commas, semicolons, tabs or bars; ``faults``, ``readings`` and ``checks``
are pairs joined by ``;``, or columns of their own; lines that start with ``#`` are remarks. A workbook is read as
its first sheet.
"""

import csv
import io
import re
import sys
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from valuer.domain.bounds import LONGEST_WORD, MOST_NAMES, MOST_WRONG
from valuer.domain.machine import Machine
from valuer.domain.words import did_you_mean, printable, shown
from valuer.intake.names import with_short_name
from valuer.intake.tables import (
    AS_IS,
    BYTE_ORDER_MARKS,
    COMMA,
    beside,
    column_name,
    delimiter_of,
    older_text,
    workbook_rows,
)
from valuer.records.cells import Unreadable, joined, tidy, value_beside, wire_value
from valuer.records.strict_json import TOO_DEEP, BadJson, parse

LIMIT_MB = 25  # some 100,000 machines; a larger file is a mistake more often than a wish
MOST_LINES = 500_000  # several times as many as a file of its size has machines
LONGEST_ROW = 200_000  # characters of one row of CSV; Python itself ends a cell at 131,072
LISTED = 20  # problems shown before "and N more"


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a file: where it stands, and what to do about it."""

    row: str
    column: str
    text: str

    def line(self, name: str) -> str:
        """The problem in one line, such as ``bench.csv, row 3, drive: "pull" is not allowed; ...``."""
        return f"{', '.join(filter(None, [printable(name), self.row, printable(self.column)]))}: {self.text}"


class BadFile(ValueError):
    """A machine file that was refused whole; ``problems`` lists everything wrong with it."""

    def __init__(self, name: str, problems: Iterable[Problem]) -> None:
        self.name = name
        self.problems = tuple(problems)
        lines = [problem.line(name) for problem in self.problems[:LISTED]]
        more = min(len(self.problems), MOST_WRONG) - LISTED
        if more > 0:
            least = "at least " if len(self.problems) >= MOST_WRONG else ""
            lines.append(f"{printable(name)}: and {least}{more} more")
        super().__init__("\n".join(lines))


Say = Callable[[str], None]
"""Who is told, in one line, that a word of a file was taken for one of the catalogue's."""


def unsaid(_line: str) -> None:
    """Nobody."""


def read_machines(path: str, say: Say = unsaid) -> tuple[Machine, ...]:
    """All machines in a file, or on standard input for ``-``; ``say`` hears which words were taken for others.

    Raises BadFile with every problem found.
    """
    name = name_of(path)
    return machines_in(name, bytes_of(path, name), say)


def name_of(path: str) -> str:
    """What a file is called in messages; ``-`` is standard input."""
    return "standard input" if path == "-" else Path(path).name


def machines_in(name: str, data: bytes, say: Say = unsaid) -> tuple[Machine, ...]:
    """All machines in the bytes of a file called ``name``; raises BadFile with every problem found."""
    if is_workbook(name):
        return _machines(name, sheet_rows(name, data), say)
    text = text_in(name, data)
    if not text.strip():
        raise _refused(name, "the file is empty; `valuer template` writes one to fill in")
    rows = _json_rows(name, text) if is_json(name, text) else csv_rows(name, text)
    try:
        return _machines(name, rows, say)
    except RecursionError:  # nesting just short of what the JSON reader itself refuses
        raise _refused(name, TOO_DEEP) from None


def bytes_of(path: str, name: str) -> bytes:
    """At most one byte more than the limit, so that a pipe without an end is refused too."""
    limit = LIMIT_MB * 1_000_000
    try:
        if path == "-":
            data = sys.stdin.buffer.read(limit + 1)
        else:
            with Path(path).open("rb") as file:
                data = file.read(limit + 1)
    except FileNotFoundError:
        raise _refused(name, "no such file; give a machine file, or - for standard input") from None
    except (OSError, ValueError) as error:
        words = (getattr(error, "strerror", None) or str(error)).lower()
        raise _refused(name, f"cannot be read ({words}); give a machine file") from None
    if len(data) > limit:
        raise _refused(name, f"more than {LIMIT_MB} MB; split the file")
    return data


def text_in(name: str, data: bytes) -> str:
    """The text of a file in UTF-8, UTF-16 with its mark, or the Latin alphabet of older programs.

    Raises BadFile that names the byte.
    """
    encoding = next((codec for mark, codec in BYTE_ORDER_MARKS.items() if data.startswith(mark)), "utf-8")
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        older = _older(name, data) if encoding == "utf-8" else None
        if older is not None:
            return older
        row = data.count(b"\n", 0, error.start) + 1
        byte = error.start - data.rfind(b"\n", 0, error.start)
        what = f"byte {byte} is not {encoding[:6].upper()} text; save the file as UTF-8"
        raise BadFile(name, [Problem(f"row {row}", "", what)]) from None
    if "\0" in text:
        raise _refused(name, "holds zero bytes, so it is no text file; save it as CSV or JSON in UTF-8")
    return text


def _older(name: str, data: bytes) -> str | None:
    """The text of a table in Windows' Latin letters; None for JSON, and where it is plainly something else."""
    text = older_text(data)
    if text is None or Path(name).suffix.lower() == ".json" or text.lstrip()[:1] in ("[", "{"):
        return None
    return text


def is_workbook(name: str) -> bool:
    """Whether a file's name says that it is a workbook."""
    return Path(name).suffix.lower() in (".xlsx", ".xls", ".ods", ".xlsm")


def is_json(name: str, text: str) -> bool:
    """Whether a text that is not blank is JSON, by the ending of its name or else by how it begins."""
    ending = Path(name).suffix.lower()
    return ending == ".json" or (ending != ".csv" and text.lstrip()[0] in "[{")


Taken = tuple[str, str, str]


def taken_words(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[Taken, ...]:
    """The words of a machine that stand for the catalogue's, where they are more than another way to write them.

    >>> taken_words({"looks": "rough", "tier": "Mid", "id": "m1"}, {"looks": "scarred", "tier": "mid", "id": "m1"})
    (('looks', 'rough', 'scarred'),)
    """
    return tuple(
        (name, said, after[name])
        for name, said in before.items()
        if isinstance(said, str)
        and isinstance(after.get(name), str)
        and name not in AS_IS
        and name in Machine.model_fields
        and re.sub(r"[\s_-]+", "_", said.strip().lower()) != after[name]
    )


def say_taken(name: str, rows: Iterable[Taken], say: Say) -> None:
    """Say of each word once what it was taken for, and how often."""
    for (column, said, now), times in list(Counter(rows).items())[:LISTED]:
        say(f"{printable(name)}: {column} {shown(said)} is read as {now}, {times} time{'s' * (times > 1)}")


@dataclass(frozen=True)
class Row:
    """One machine as it stands in a file: where, what, and what of it could not be read.

    ``taken`` are the words that were taken for the catalogue's, each with its column and what it was taken for.
    ``whole`` is false where the row as such is wrong, so that looking at its values would teach nothing.
    """

    place: str
    wire: dict[str, Any]
    problems: tuple[Problem, ...] = ()
    whole: bool = True
    taken: tuple[Taken, ...] = ()


def _json_rows(name: str, text: str) -> Iterator[Row]:
    for number, wire in enumerate(_listed(name, json_in(name, text)), start=1):
        place = f"machine {number}"
        if isinstance(wire, dict) and len(wire) <= MOST_NAMES:
            try:
                named = _named(wire)
                read = tidy(named)
                yield Row(place, read, taken=taken_words(named, read))
            except Unreadable as error:
                yield Row(place, wire, (Problem(place, "", str(error)),), whole=False)
        else:
            what = f"more than {MOST_NAMES} names" if isinstance(wire, dict) else shown(wire)
            yield Row(place, {}, (Problem(place, "", f"expected a machine, got {what}"),), whole=False)


def _named(wire: dict[str, Any]) -> dict[str, Any]:
    """The values under the catalogue's own names; raises Unreadable where two names are one."""
    found: dict[str, Any] = {}
    for key, value in wire.items():
        name = column_name(key, Machine.model_fields)
        if name in found:
            raise Unreadable(f"{shown(key)} is {name}, which stands there too; keep one of them")
        found[name] = value
    return found


def json_in(name: str, text: str) -> Any:
    """The value of a JSON text; raises BadFile that names row and column."""
    try:
        return parse(text)
    except BadJson as error:
        row, column = (f"row {error.row}", f"column {error.column}") if error.row else ("", "")
        raise BadFile(name, [Problem(row, column, str(error))]) from None


def _listed(name: str, top: Any) -> list[Any]:
    """The list of machines in whichever of the three forms it came."""
    if isinstance(top, list):
        return top
    if not isinstance(top, dict):
        raise _refused(name, f"expected a machine or a list of machines, got {shown(top)}")
    if "machines" not in top:
        return [top]
    extra = next((key for key in top if key not in {"machines", "about"}), None)
    if extra is not None:
        raise BadFile(
            name, [Problem("", extra[:LONGEST_WORD], "unknown name beside machines; put remarks in about")]
        )
    if not isinstance(top["machines"], list):
        raise BadFile(name, [Problem("", "machines", f"expected a list, got {shown(top['machines'])}")])
    return top["machines"]


class Lines:
    """The lines of a text one by one, without a second copy of it.

    Raises BadFile where a row, or the whole, goes on without end.
    """

    def __init__(self, name: str, text: str) -> None:
        self._name = name
        self._lines = _LINE.finditer(text)
        self._number = 0
        self._row = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        """The next line with its end; a row may go over several, inside quotes."""
        found = next(self._lines)
        self._number += 1
        self._row += found.end() - found.start()
        if self._number > MOST_LINES:
            raise _refused(self._name, f"more than {MOST_LINES:,} lines; split the file")
        if self._row > LONGEST_ROW:
            what = f"a row of more than {LONGEST_ROW:,} characters; check the quotes"
            raise BadFile(self._name, [Problem(f"row {self._number}", "", what)])
        return found.group()

    def row_done(self) -> None:
        """Count from here: the row is read."""
        self._row = 0


_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")


def csv_rows(
    name: str,
    text: str,
    columns: Collection[str] = tuple(Machine.model_fields),
    convert: Callable[..., Any] = wire_value,
) -> Iterator[Row]:
    """The rows of a CSV text whose columns are among ``columns``, their cells read by ``convert``.

    ``convert`` gets the column and a cell that is not blank, a note as it stands and the others without blanks
    around them, and ``point``: whether the file writes decimal points; it may raise Unreadable. Cells parted by
    anything but commas may hold decimal commas.
    """
    sign = delimiter_of(text, columns)
    return _table(name, _csv_cells(name, text, sign), columns, convert, point=sign == COMMA)


def sheet_text(name: str, data: bytes) -> str:
    """A workbook's first sheet as CSV text; raises BadFile."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(_sheet(name, data))
    return text.getvalue()


def _sheet(name: str, data: bytes) -> list[list[str]]:
    try:
        return workbook_rows(data)
    except ValueError as error:
        raise _refused(name, str(error)) from None


def sheet_rows(name: str, data: bytes) -> Iterator[Row]:
    """The rows of a workbook's first sheet, as those of a CSV text; raises BadFile."""
    rows = _sheet(name, data)
    numbered = ((f"row {number}", cells) for number, cells in enumerate(rows, start=1))
    return _table(name, numbered, tuple(Machine.model_fields), wire_value, point=True)


def _csv_cells(name: str, text: str, sign: str) -> Iterator[tuple[str, list[str]]]:
    lines = Lines(name, text)
    reader = csv.reader(lines, strict=True, delimiter=sign)
    try:
        for cells in reader:
            lines.row_done()
            yield f"row {reader.line_num}", cells
    except csv.Error as error:
        what = f"not valid CSV ({error}); check the quotes"
        raise BadFile(name, [Problem(f"row {reader.line_num}", "", what)]) from None


def _table(
    name: str,
    rows: Iterable[tuple[str, list[str]]],
    columns: Collection[str],
    convert: Callable[..., Any],
    *,
    point: bool,
) -> Iterator[Row]:
    """The rows below the header, blank ones and remarks left out."""
    header: list[str] | None = None
    for place, cells in rows:
        if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
            continue
        if header is None and cells[0].strip().lower().startswith("sep="):
            continue  # a spreadsheet's way of saying what parts the cells
        if header is None:
            header = _header(name, place, cells, columns)
        else:
            yield _csv_row(place, header, cells, convert, point=point)


def _header(name: str, row: str, cells: list[str], known: Collection[str]) -> list[str]:
    """The column names, or every reason why they will not do."""
    header = [column_name(cell, known) for cell in cells]
    while header and not header[-1]:  # a spreadsheet's empty columns at the end
        header.pop()
    if len(header) > MOST_NAMES:
        raise BadFile(name, [Problem(row, "", f"expected at most {MOST_NAMES} columns, got {len(header)}")])
    required = (column for column, field in Machine.model_fields.items() if field.is_required())
    wrong = {column: _wrong_column(column, header, known) for column in [*header, *required]}
    problems = [
        Problem(row, column[:LONGEST_WORD] or "(no name)", what) for column, what in wrong.items() if what
    ]
    if problems:
        raise BadFile(name, problems)
    return header


def _wrong_column(column: str, header: list[str], known: Collection[str]) -> str:
    """What is wrong with a column of the file, or with one that should be there; empty if nothing."""
    if not column:
        return "a column without a name; give it one, or delete it"
    if column not in known and column not in beside():
        return f"unknown column{did_you_mean(column, (*known, *beside()))}"
    if column not in header:
        return "the column is missing; add it"
    return "the column stands twice; keep one of them" if header.count(column) > 1 else ""


def _csv_row(
    place: str, header: list[str], cells: list[str], convert: Callable[..., Any], *, point: bool
) -> Row:
    """The cells of one line as the same values that JSON would carry; an empty cell is unknown."""
    while len(cells) > len(header) and not cells[-1].strip():
        cells = cells[:-1]
    if len(cells) != len(header):
        what = f"expected {len(header)} cells as in the first row, got {len(cells)}"
        return Row(place, {}, (Problem(place, "", what),), whole=False)
    wire: dict[str, Any] = {}
    apart: dict[str, dict[str, Any]] = {}
    unreadable = []
    for column, cell in zip(header, cells, strict=True):
        if not cell.strip():
            continue
        try:
            part = None if column in Machine.model_fields else beside().get(column)
            value = (
                value_beside(column, cell.strip(), point=point)
                if part
                else convert(column, cell if column == "note" else cell.strip(), point=point)
            )
            if value is not None:
                (apart.setdefault(part, {}) if part else wire)[column] = value
        except Unreadable as error:
            unreadable.append(Problem(place, column, str(error)))
    try:
        taken = taken_words(dict(zip(header, cells, strict=True)), wire)
        return Row(place, joined(wire, apart), tuple(unreadable), taken=taken)
    except Unreadable as error:
        return Row(place, wire, (*unreadable, Problem(place, "", str(error))), whole=False)


def _machines(name: str, rows: Iterable[Row], say: Say) -> tuple[Machine, ...]:
    machines: list[Machine] = []
    taken: list[Taken] = []
    problems: list[Problem] = []
    places: dict[str, str] = {}
    for row in rows:
        machine, wrong = _machine(row)
        problems += wrong
        if len(problems) >= MOST_WRONG:
            break
        if machine is None:
            continue
        if machine.id in places:
            what = f"{shown(machine.id)} is used in {places[machine.id]} already; give each machine its own"
            problems.append(Problem(row.place, "id", what))
        places.setdefault(machine.id, row.place)
        machines.append(machine)
        taken += row.taken
    if problems:
        raise BadFile(name, problems)
    say_taken(name, taken, say)
    if not machines:
        raise _refused(name, "holds no machine; `valuer template` writes a file to fill in")
    return tuple(machines)


def _machine(row: Row) -> tuple[Machine | None, tuple[Problem, ...]]:
    if not row.whole:
        return None, row.problems
    try:
        return Machine.model_validate(with_short_name(row.wire)), row.problems
    except ValidationError as error:
        wrong = error.errors(include_url=False)
        found = tuple(Problem(row.place, column(each["loc"]), each["msg"]) for each in wrong)
        return None, row.problems + found


def column(loc: tuple[int | str, ...]) -> str:
    """Where a value stands, in words.

    >>> column(("faults", 1)), column(("readings", "blade_stop_s", 0))
    ('faults entry 2', 'readings blade_stop_s entry 1')
    """
    return " ".join(f"entry {part + 1}" if isinstance(part, int) else part[:LONGEST_WORD] for part in loc)


def _refused(name: str, text: str) -> BadFile:
    return BadFile(name, [Problem("", "", text)])
