"""One CSV cell as the value that JSON would carry in its place."""

import re
from typing import Any

from valuer.domain.machine import Machine
from valuer.domain.words import shown

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
NUMBERS = {name for name, field in Machine.model_fields.items() if "float" in str(field.annotation)}
FLAGGED = {name for name, field in Machine.model_fields.items() if "bool" in str(field.annotation)}
FLAGS = {"yes": True, "true": True, "no": False, "false": False}


class Unreadable(ValueError):
    """A cell that cannot be read; the message says what was expected, what came and what to do."""


def wire_value(column: str, cell: str) -> Any:
    """The value of a non-empty cell of a machine file; raises Unreadable.

    >>> wire_value("faults", "stiff_roll:slight; blade_dull:slight")
    ['stiff_roll:slight', 'blade_dull:slight']
    >>> wire_value("age_years", "6")
    6.0
    """
    if column == "faults":
        return [part.strip() for part in cell.split(";") if part.strip()]
    if column in {"readings", "checks"}:
        return dict(_pairs(column, cell))
    if column in NUMBERS:
        return _number(cell)
    return _flag(cell) if column in FLAGGED else cell


def _number(cell: str) -> float:
    if NUMBER.fullmatch(cell):
        return float(cell)
    hint = _hint(cell)
    raise Unreadable(f"expected a number, got {shown(cell)}{hint}")


def _hint(cell: str) -> str:
    if cell[0] in "=@":
        return "; save the file with values, not formulas"
    if re.fullmatch(r"[+-]?\d+,\d+", cell):
        return "; write a decimal point"
    return "; leave the cell empty when unknown"


def _flag(cell: str) -> bool:
    if cell.lower() in FLAGS:
        return FLAGS[cell.lower()]
    raise Unreadable(f"expected yes or no, got {shown(cell)}; leave the cell empty when unknown")


def _pairs(column: str, cell: str) -> list[tuple[str, Any]]:
    found: dict[str, Any] = {}
    for part in filter(None, (piece.strip() for piece in cell.split(";"))):
        name, colon, value = (piece.strip() for piece in part.partition(":"))
        if not (name and colon and value):
            raise Unreadable(f"expected name:value pairs joined by ;, got {shown(part)}")
        if name in found:
            raise Unreadable(f"{shown(name)} stands twice; keep one of them")
        found[name] = value if column == "checks" else _reading(value)
    return list(found.items())


def _reading(value: str) -> Any:
    """A number, yes or no, a word, or several runs separated by commas."""
    if "," in value:
        return [_reading(run.strip()) for run in value.split(",")]
    if NUMBER.fullmatch(value):
        return float(value)
    return FLAGS.get(value.lower(), value)
