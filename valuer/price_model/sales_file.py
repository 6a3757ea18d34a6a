"""Reading a file of recorded sales: every column there, every cell one the model can use, or a line that says why."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import FORMER_LOOKS, Machine
from valuer.domain.words import did_you_mean, shown
from valuer.price_model.design import TableError
from valuer.price_model.mower import CATEGORICAL, NUMERIC, SALE_COLUMNS, fault_table

if TYPE_CHECKING:
    import pandas as pd

FLAG_WORDS = {"yes": True, "true": True, "no": False, "false": False}
MOST_MEGABYTES = 200
MOST_PROBLEMS = 20
LONGEST_LINE = 300  # characters: the longest list of words a cell may be, and what came
EXPECTED = "expected a CSV file in UTF-8 with a header"


def read_sales(path: Path) -> tuple[pd.DataFrame, bytes]:
    """Return the sales and the bytes they were read from; raises TableError with one line a problem."""
    data = read_bytes(path)
    return read_sales_text(data, told_name(path)), data


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


def read_sales_text(data: bytes, name: str) -> pd.DataFrame:
    """Parse and check the bytes of a sales file."""
    import pandas as pd

    raw = _raw(data, name)
    problems: list[str] = []
    table = pd.DataFrame(
        {c: _words(raw[c].str.strip(), c, problems) for c in CATEGORICAL}
        | {c: _numbers(raw[c].str.strip(), c, problems) for c in (*NUMERIC, "month", "price")}
    )
    table["faults"] = raw["faults"].str.strip()
    _check_ranges(table, raw, problems)
    problems += _fault_problems(table["faults"])
    problems += _misfits(table)
    if problems:
        more = f"\nand {len(problems) - MOST_PROBLEMS} more" if len(problems) > MOST_PROBLEMS else ""
        raise TableError("\n".join(_cut(f"{name}: {p}") for p in problems[:MOST_PROBLEMS]) + more)
    return table.reset_index(drop=True)


def _cut(line: str) -> str:
    """A line of the refusal, whatever came, in a length that can be read."""
    return line if len(line) <= LONGEST_LINE else f"{line[: LONGEST_LINE - 3]}..."


def _raw(data: bytes, name: str) -> pd.DataFrame:
    """The cells as they stand; the index counts the lines of the file from 1."""
    import pandas as pd

    header, rows = _cells(_text(data, name), name)
    twice = sorted(repr(c)[1:-1] for c, times in Counter(header).items() if c and times > 1)
    if twice:
        msg = f"{name}: expected each column once, got twice: {', '.join(twice)}"
        raise TableError(msg)
    missing = [c for c in SALE_COLUMNS if c not in header]
    if missing:
        msg = f"{name}: expected the columns {', '.join(SALE_COLUMNS)}; missing: {', '.join(missing)}"
        raise TableError(msg)
    if not rows:
        msg = f"{name}: expected at least one sale, got a header only"
        raise TableError(msg)
    for row, cells in rows.items():  # of another length, its cells may stand under other columns
        if len(cells) != len(header):
            msg = f"{name}: row {row}: expected {len(header)} cells as in the header, got {len(cells)}"
            raise TableError(msg)
    return pd.DataFrame(list(rows.values()), columns=header, index=list(rows), dtype=str)


def _text(data: bytes, name: str) -> str:
    """UTF-8, or UTF-16 that announces itself, as a spreadsheet program writes it."""
    codec = "utf-16" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        wrong = f"a byte that is not {codec.upper().removesuffix('-SIG')}"
        msg = f"{name}: row {row}: {EXPECTED}: {wrong}; save the file as UTF-8"
        raise TableError(msg) from None
    if "\0" in text:
        msg = f"{name}: {EXPECTED}: it holds zero bytes, so it is no text file"
        raise TableError(msg)
    return text


def _cells(text: str, name: str) -> tuple[list[str], dict[int, list[str]]]:
    """The header, and each row that is not blank under the number of the line it ends in."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        numbered = ((reader.line_num, cells) for cells in reader)
        rows = {number: cells for number, cells in numbered if any(cell.strip() for cell in cells)}
    except csv.Error as error:
        msg = f"{name}: row {reader.line_num}: {EXPECTED}: {error}"
        raise TableError(msg) from None
    if not rows:
        msg = f"{name}: {EXPECTED}: the file is empty"
        raise TableError(msg)
    return [cell.strip() for cell in rows.pop(next(iter(rows)))], rows


def _row(number: int) -> str:
    return f"row {number}"


def _words(cells: pd.Series, column: str, problems: list[str]) -> pd.Series:
    allowed = FLAG_WORDS if _is_flag(column) else {word: word for word in _allowed(column)}
    if column == "looks":
        cells = cells.replace(FORMER_LOOKS)
    for i in cells.index[~cells.isin([*allowed, ""])]:
        hint = did_you_mean(cells[i][:60], list(allowed))
        problems.append(
            f"{_row(i)}, column {column}: expected {', '.join(allowed)} or nothing, got {shown(cells[i])}{hint}"
        )
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


def _numbers(cells: pd.Series, column: str, problems: list[str]) -> pd.Series:
    import pandas as pd

    numbers = pd.to_numeric(cells.where(cells != ""), errors="coerce")
    problems += [
        f"{_row(i)}, column {column}: expected a number or nothing, got {shown(cells[i])}"
        for i in cells.index[numbers.isna() & (cells != "")]
    ]
    return numbers.astype(float)


RANGES = {
    "age_years": (0, 40),
    "deck_width_in": (18, 33),
    "new_price": (1, 1e7),
    "month": (1, 12),
    "price": (0.01, 1e7),
}


def _check_ranges(table: pd.DataFrame, raw: pd.DataFrame, problems: list[str]) -> None:
    for column, (low, high) in RANGES.items():
        values = table[column]
        bad = ~values.between(low, high) & values.notna()
        if column in ("month", "price"):
            bad |= raw[column].str.strip() == ""  # what is there and no number was named before
        problems += [
            f"{_row(i)}, column {column}: expected {low:g} to {high:g}, got {_shown(values[i])}"
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


def _misfits(table: pd.DataFrame) -> list[str]:
    """Faults on machines that cannot have them, by row."""
    problems = []
    for fault in fault_catalogue().values():
        column, word = RULED_OUT.get(fault.needs or "", ("", None))
        if not column:
            continue
        shown_on = table["faults"].str.contains(rf"(?:^|;)\s*{fault.id}:", regex=True)
        problems += [
            f"{_row(i)}, column faults: {fault.id} cannot be on a machine with {column} {_told(word)}; correct one"
            for i in table.index[shown_on & (table[column] == word)]
        ]
    return problems


def _told(word: object) -> str:
    return {True: "yes", False: "no"}.get(word, str(word)) if isinstance(word, bool) else str(word)


def _fault_problems(texts: pd.Series) -> list[str]:
    try:
        fault_table(texts)
    except TableError:
        return [line for i in texts.index for line in _faults_of_row(texts, i)]
    return []


def _faults_of_row(texts: pd.Series, i: int) -> list[str]:
    try:
        fault_table(texts.loc[[i]])
    except TableError as error:
        return [f"{_row(i)}, {str(error).removesuffix(' in row 0')}"]
    return []
