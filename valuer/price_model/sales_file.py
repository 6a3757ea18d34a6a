"""Reading a file of recorded sales: every column there, every cell one the model can use, or a line that says why."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import Any, get_args

import pandas as pd

from valuer.domain.machine import Machine
from valuer.domain.words import did_you_mean
from valuer.price_model.design import TableError
from valuer.price_model.mower import CATEGORICAL, NUMERIC, SALE_COLUMNS, fault_table

FLAG_WORDS = {"yes": True, "true": True, "no": False, "false": False}
MOST_MEGABYTES = 200
MOST_PROBLEMS = 20


def read_sales(path: Path) -> tuple[pd.DataFrame, bytes]:
    """Return the sales and the bytes they were read from; raises TableError with one line a problem."""
    data = _bytes(path)
    return read_sales_text(data, path.name), data


def _bytes(path: Path) -> bytes:
    try:
        megabytes = path.stat().st_size // 1_000_000
        if megabytes > MOST_MEGABYTES:
            msg = f"{path.name}: expected at most {MOST_MEGABYTES} MB, got {megabytes} MB"
            raise TableError(msg)
        return path.read_bytes()
    except OSError as error:
        msg = f"{path}: cannot be read: {error.strerror}"
        raise TableError(msg) from None


def read_sales_text(data: bytes, name: str) -> pd.DataFrame:
    """Parse and check the bytes of a sales file."""
    try:
        raw = pd.read_csv(io.BytesIO(data), dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        msg = f"{name}: expected a CSV file in UTF-8 with a header: {str(error).strip().splitlines()[-1]}"
        raise TableError(msg) from None
    if not isinstance(raw.index, pd.RangeIndex):
        # pandas would take the first column for names of the rows and read every cell under another column.
        msg = f"{name}: row 2: expected {len(raw.columns)} cells as in the header, got more"
        raise TableError(msg)
    twice = _twice(data)
    if twice:
        msg = f"{name}: expected each column once, got twice: {', '.join(twice)}"
        raise TableError(msg)
    missing = [c for c in SALE_COLUMNS if c not in raw.columns]
    if missing:
        msg = f"{name}: expected the columns {', '.join(SALE_COLUMNS)}; missing: {', '.join(missing)}"
        raise TableError(msg)
    if raw.empty:
        msg = f"{name}: expected at least one sale, got a header only"
        raise TableError(msg)
    problems: list[str] = []
    table = pd.DataFrame(
        {c: _words(raw[c].str.strip(), c, problems) for c in CATEGORICAL}
        | {c: _numbers(raw[c], c, problems) for c in (*NUMERIC, "month", "price")}
    )
    table["faults"] = raw["faults"].str.strip()
    _check_ranges(table, problems)
    problems += _fault_problems(table["faults"])
    if problems:
        more = f"\nand {len(problems) - MOST_PROBLEMS} more" if len(problems) > MOST_PROBLEMS else ""
        raise TableError("\n".join(f"{name}: {p}" for p in problems[:MOST_PROBLEMS]) + more)
    return table


def _twice(data: bytes) -> list[str]:
    """Names that stand twice in the header; pandas renames the second one without a word."""
    header = pd.read_csv(io.BytesIO(data), header=None, nrows=1, dtype=str, encoding="utf-8-sig").iloc[0]
    return [str(column) for column in header[header.duplicated() & header.notna()]]


def _row(index: int) -> str:
    return f"row {index + 2}"


def _words(cells: pd.Series, column: str, problems: list[str]) -> pd.Series:
    allowed = FLAG_WORDS if _is_flag(column) else {word: word for word in _allowed(column)}
    for i in cells.index[~cells.isin([*allowed, ""])]:
        hint = did_you_mean(cells[i], list(allowed))
        problems.append(
            f"{_row(i)}, column {column}: expected {', '.join(allowed)} or nothing, got {cells[i]!r}{hint}"
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
    numbers = pd.to_numeric(cells.where(cells != ""), errors="coerce")
    problems += [
        f"{_row(i)}, column {column}: expected a number or nothing, got {cells[i]!r}"
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


def _check_ranges(table: pd.DataFrame, problems: list[str]) -> None:
    for column, (low, high) in RANGES.items():
        values = table[column]
        bad = ~values.between(low, high) & values.notna()
        if column in ("month", "price"):
            bad |= values.isna()
        problems += [
            f"{_row(i)}, column {column}: expected {low:g} to {high:g}, got {_shown(values[i])}"
            for i in values.index[bad]
        ]


def _shown(value: float) -> str:
    return "nothing" if math.isnan(value) else f"{value:g}"


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
