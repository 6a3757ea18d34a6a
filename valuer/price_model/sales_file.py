"""Reading a file of recorded sales: every column there, every cell one the model can use, or one line that says why."""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.domain.words import did_you_mean, shown
from valuer.intake.numbers import NotUnderstood, as_wire
from valuer.intake.quantities import quantities
from valuer.intake.tables import (
    BYTE_ORDER_MARKS,
    COMMA,
    EMPTY,
    WORKBOOKS,
    column_name,
    delimiter_of,
    finding_text,
    older_text,
    word_in,
    workbook_rows,
)
from valuer.price_model.design import TableError
from valuer.price_model.mower import CATEGORICAL, NUMERIC, OPTIONAL, SALE_COLUMNS, fault_table
from valuer.price_model.troubles import Trouble, all_told

if TYPE_CHECKING:
    import pandas as pd

FLAG_WORDS = {"yes": True, "true": True, "no": False, "false": False}
MOST_MEGABYTES = 200
EXPECTED = "expected a CSV file in UTF-8 with a header"


Say = Callable[[str], None]
"""Who is told, in one line, that a word was taken for one of the catalogue's, or that a column is not used."""


def unsaid(_line: str) -> None:
    """Nobody."""


def told_name(path: Path) -> str:
    """The file's name as it may be printed: a name, too, may hold a terminal's codes."""
    return repr(path.name)[1:-1]


def read_bytes(path: Path) -> bytes:
    """The whole file; raises TableError where it is too large or cannot be read."""
    try:
        megabytes = path.stat().st_size // 1_000_000
        if megabytes > MOST_MEGABYTES:
            msg = f"{path.name}: expected at most {MOST_MEGABYTES} MB, got {megabytes} MB"
            raise TableError(msg)
        return path.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        msg = f"{repr(str(path))[1:-1]}: cannot be read: {getattr(error, 'strerror', None) or error}"
        raise TableError(msg) from None


def read_sales_text(data: bytes, name: str, say: Say = unsaid, *, full: bool = False) -> pd.DataFrame:
    """Parse and check the bytes of a sales file; ``say`` hears which words were taken for others.

    The sales are indexed by the rows of the file, from 1 for its header. Raises TableError with all that is wrong in
    one line, with ``full`` a line each.
    """
    import pandas as pd

    problems: list[Trouble] = []
    raw, point = _raw(data, name, problems, say)
    missing = {c for c in SALE_COLUMNS if c not in raw}
    raw = raw.assign(**dict.fromkeys(missing, ""))
    cells: list[Trouble] = []
    table = pd.DataFrame(
        {c: _words(_known(raw[c]), c, cells, name, say) for c in CATEGORICAL}
        | {c: _numbers(_known(raw[c]), c, cells, point=point) for c in (*NUMERIC, "month", "price")}
    )
    table["faults"] = _each(_known(raw["faults"]), lambda cell: _fault_texts(cell, point=point))
    _check_ranges(table, raw, cells, missing)
    problems += [*cells, *_fault_problems(table["faults"]), *_misfits(table)]
    if problems:
        raise TableError(all_told(name, problems, WRONG, full=full))
    return table


WRONG = "things wrong"


def _known(cells: pd.Series) -> pd.Series:
    """The cells without blanks around them; what says that it is not known is empty."""
    return _each(cells.str.strip(), lambda cell: "" if cell.lower() in EMPTY else cell)


def _each(cells: pd.Series, read: Callable[[str], str]) -> pd.Series:
    """Every cell as it is read, each different one once."""
    return cells.map({cell: read(cell) for cell in cells.unique()}).astype(cells.dtype)


def _fault_texts(cell: str, *, point: bool) -> str:
    parts = (part for part in re.split(r"[;|\n]" if point else r"[;,|\n]", cell) if part.strip())
    return ";".join(finding_text(part) for part in parts)


def _raw(data: bytes, name: str, problems: list[Trouble], say: Say) -> tuple[pd.DataFrame, bool]:
    """The cells as they stand, indexed by their lines from 1, and whether the file writes decimal points.

    Columns that are missing are so in the frame; rows of another length, whose cells may stand under other columns,
    are left out of it.
    """
    import pandas as pd

    header, rows, point = (
        _sheet(data, name) if data.startswith(WORKBOOKS) else _cells(_text(data, name), name)
    )
    header = [column_name(cell, SALE_COLUMNS) for cell in header]
    if not rows:
        msg = f"{name}: expected at least one sale, got a header only"
        raise TableError(msg)
    problems += [*_header_problems(header), *_ragged(rows, len(header))]
    unused = [repr(c)[1:-1] for c in header if c and c not in SALE_COLUMNS]
    if unused:
        say(f"{name}: not used: column{'s' * (len(unused) > 1)} {', '.join(unused)}")
    whole = {row: cells for row, cells in rows.items() if len(cells) == len(header)}
    raw = pd.DataFrame(list(whole.values()), columns=header, index=list(whole), dtype=str)
    raw = raw.loc[:, ~raw.columns.duplicated()]
    return raw.assign(**{c: "" for c in OPTIONAL if c not in header}), point


def _header_problems(header: Sequence[str]) -> Iterator[Trouble]:
    twice = sorted(repr(c)[1:-1] for c, times in Counter(header).items() if c and times > 1)
    if twice:
        yield Trouble("twice", f"expected each column once, got twice: {', '.join(twice)}")
    missing = [c for c in SALE_COLUMNS if c not in header and c not in OPTIONAL]
    if missing:
        yield Trouble("missing", f"missing columns: {', '.join(missing)}; expected {', '.join(SALE_COLUMNS)}")


def _ragged(rows: dict[int, list[str]], width: int) -> Iterator[Trouble]:
    for row, cells in rows.items():
        if len(cells) != width:
            says = f"{_row(row)}: expected {width} cells as in the header, got {len(cells)}"
            yield Trouble("cells", says, row)


def _text(data: bytes, name: str) -> str:
    """UTF-8, UTF-16 that announces itself, as a spreadsheet program writes it, or an older program's Latin letters."""
    codec = next((codec for mark, codec in BYTE_ORDER_MARKS.items() if data.startswith(mark)), "utf-8")
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as error:
        older = older_text(data) if codec == "utf-8" else None
        if older is not None:
            return older
        row = data.count(b"\n", 0, error.start) + 1
        wrong = f"a byte that is not {codec.upper().removesuffix('-SIG')}"
        msg = f"{name}: row {row}: {EXPECTED}: {wrong}; save the file as UTF-8"
        raise TableError(msg) from None
    if "\0" in text:
        msg = f"{name}: {EXPECTED}: it holds zero bytes, so it is no text file"
        raise TableError(msg)
    return text


def _sheet(data: bytes, name: str) -> tuple[list[str], dict[int, list[str]], bool]:
    """The same of a workbook's first sheet."""
    try:
        rows = workbook_rows(data)
    except ValueError as error:
        raise TableError(f"{name}: {error}") from None
    return _headed(
        {n: cells for n, cells in enumerate(rows, start=1) if any(map(str.strip, cells))}, name, COMMA
    )


def _cells(text: str, name: str) -> tuple[list[str], dict[int, list[str]], bool]:
    """The header, each row that is not blank under the number of the line it ends in, whether points are decimal."""
    sign = delimiter_of(text, SALE_COLUMNS)
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=sign)
    try:
        numbered = ((reader.line_num, cells) for cells in reader)
        rows = {number: cells for number, cells in numbered if any(cell.strip() for cell in cells)}
    except csv.Error as error:
        msg = f"{name}: row {reader.line_num}: {EXPECTED}: {error}"
        raise TableError(msg) from None
    return _headed(rows, name, sign)


def _headed(rows: dict[int, list[str]], name: str, sign: str) -> tuple[list[str], dict[int, list[str]], bool]:
    if not rows:
        msg = f"{name}: {EXPECTED}: the file is empty"
        raise TableError(msg)
    return [cell.strip() for cell in rows.pop(next(iter(rows)))], rows, sign == COMMA


def _row(number: int) -> str:
    return f"row {number}"


def _words(cells: pd.Series, column: str, problems: list[Trouble], name: str, say: Say) -> pd.Series:
    allowed = FLAG_WORDS if _is_flag(column) else {word: word for word in _allowed(column)}
    for cell, times in cells[~cells.isin([*allowed, ""])].value_counts(sort=False).items():
        said = str(cell)
        now = said.lower() if said.lower() in allowed else word_in(column, said)
        if now in allowed:
            cells = cells.replace(said, now)
            if re.sub(r"[\s_-]+", "_", said.lower()) != now:
                say(f"{name}: {column} {shown(said)} is read as {now}, {times} time{'s' * (times > 1)}")
    for i in cells.index[~cells.isin([*allowed, ""])]:
        hint = did_you_mean(cells[i][:60], list(allowed))
        wanted = f"expected {', '.join(allowed)} or nothing"
        says = f"{_row(i)}, column {column}: {wanted}, got {shown(cells[i])}{hint}"
        problems.append(Trouble(f"{column} word", says, i))
    return cells.map(allowed.get).astype(object)


def _is_flag(column: str) -> bool:
    return "bool" in str(Machine.model_fields[column].annotation)


def _allowed(column: str) -> tuple[str, ...]:
    """Words that the machine record allows in a column."""
    words: list[str] = []
    waiting: list[Any] = [Machine.model_fields[column].annotation]
    while waiting:
        for part in get_args(waiting.pop()):
            (words if isinstance(part, str) else waiting).append(part)
    return tuple(words)


def _numbers(cells: pd.Series, column: str, problems: list[Trouble], *, point: bool) -> pd.Series:
    why: dict[str, str] = {}
    values = {cell: _number(column, cell, why, point=point) for cell in cells.unique()}
    problems += [
        Trouble(f"{column} number", f"{_row(i)}, column {column}: {why[cells[i]]}", i)
        for i in cells.index[cells.isin([*why])]
    ]
    return cells.map(values).astype(float)


PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)


def _number(column: str, cell: str, why: dict[str, str], *, point: bool) -> float:
    """A figure as people write it; NaN for an empty cell, and for one that is told in ``why``."""
    if not cell:
        return math.nan
    if PLAIN.fullmatch(cell) and (point or "." not in cell):
        return float(cell)
    try:
        found = as_wire(cell, quantities()[column], point=point) if column in quantities() else None
    except NotUnderstood as error:
        found, why[cell] = None, str(error)
    if isinstance(found, float):
        return found
    if not any(c.isdigit() for c in cell) or cell not in why:
        why[cell] = f"expected a number or nothing, got {shown(cell)}"
    return math.nan


RANGES = {
    "age_years": (0, 40),
    "deck_width_in": (18, 33),
    "new_price": (1, 1e7),
    "tested": (0, 1),
    "month": (1, 12),
    "price": (0.01, 1e7),
}


def _check_ranges(table: pd.DataFrame, raw: pd.DataFrame, problems: list[Trouble], missing: set[str]) -> None:
    for column, (low, high) in RANGES.items():
        if column in missing:
            continue
        values = table[column]
        bad = ~values.between(low, high) & values.notna()
        if column in ("month", "price"):
            bad |= raw[column].str.strip() == ""  # what is there and no number was named before
        problems += [
            Trouble(
                f"{column} range",
                f"{_row(i)}, column {column}: expected {low:g} to {high:g}, got {_shown(values[i])}",
                i,
            )
            for i in values.index[bad]
        ]


def _shown(value: float) -> str:
    return "nothing" if math.isnan(value) else f"{value:g}"


RULED_OUT = {
    "drive": ("drive", "push"),
    "electric_start": ("start", "rope"),
    "blade_clutch": ("blade_clutch", False),
}
"""What a fault needs, and the word of a column that says the machine has none of it."""


def _misfits(table: pd.DataFrame) -> list[Trouble]:
    """Faults on machines that cannot have them, by row."""
    problems: list[Trouble] = []
    for fault in fault_catalogue().values():
        column, word = RULED_OUT.get(fault.needs or "", ("", None))
        if not column:
            continue
        shown_on = table["faults"].str.contains(rf"(?:^|;)\s*{fault.id}:", regex=True)
        problems += [
            Trouble(
                f"cannot have, {column}",
                f"{_row(i)}, column faults: {fault.id} cannot be on a machine with {column} {_told(word)}; correct one",
                i,
            )
            for i in table.index[shown_on & (table[column] == word)]
        ]
    return problems


def _told(word: object) -> str:
    return {True: "yes", False: "no"}.get(word, str(word)) if isinstance(word, bool) else str(word)


def _fault_problems(texts: pd.Series) -> list[Trouble]:
    try:
        fault_table(texts)
    except TableError:
        return [line for i in texts.index for line in _faults_of_row(texts, i)]
    return []


def _faults_of_row(texts: pd.Series, i: int) -> list[Trouble]:
    try:
        fault_table(texts.loc[[i]])
    except TableError as error:
        says = f"{_row(i)}, {str(error).removesuffix(' in row 0')}"
        return [Trouble(f"faults {'twice' if says.endswith('twice') else 'word'}", says, i)]
    return []
