"""One CSV cell as the value that JSON would carry in its place."""

import re
from typing import Any

from valuer.domain.machine import Machine
from valuer.domain.words import shown
from valuer.intake.numbers import NotUnderstood, as_wire
from valuer.intake.quantities import quantities

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
WORDS = frozenset({"checks", "causes", "seen"})
FIGURES = {"own_parts": "new_price", "own_hours": "hours"}
"""Columns of names with a figure each, and the quantity that their figures are."""

PAIRS = frozenset({"readings", *WORDS, *FIGURES})
LISTS = frozenset({"faults", "new_parts"})
NUMBERS = {
    name
    for name, field in Machine.model_fields.items()
    if "float" in str(field.annotation) and name not in PAIRS
}
FLAGGED = {name for name, field in Machine.model_fields.items() if "bool" in str(field.annotation)}
FLAGS = {"yes": True, "true": True, "no": False, "false": False}


class Unreadable(ValueError):
    """A cell that cannot be read; the message says what was expected, what came and what to do."""


def wire_value(column: str, cell: str, *, point: bool = True) -> Any:
    """The value of a non-empty cell of a machine file; raises Unreadable.

    ``point``: the file writes decimal points, as a program does that parts cells by commas.

    >>> wire_value("faults", "stiff_roll:slight; blade_dull:slight")
    ['stiff_roll:slight', 'blade_dull:slight']
    >>> wire_value("age_years", "6")
    6.0
    """
    if column in LISTS:
        return [part.strip() for part in cell.split(";") if part.strip()]
    if column in PAIRS:
        return dict(_pairs(column, cell, point=point))
    if column in NUMBERS:
        return figure(column, cell, point=point)
    return _flag(cell) if column in FLAGGED else cell


def figure(name: str, text: str, *, point: bool = True) -> float | list[float]:
    """The figure in a cell, of an attribute, a reading or an amount; raises Unreadable.

    What is no plain number is read as people write it; a plain one stands as it is, its bounds are the record's.

    >>> figure("age_years", "6,5 years")
    6.5
    """
    if NUMBER.fullmatch(text) and (point or "." not in text):
        return float(text)
    try:
        return as_wire(text, quantities()[name], point=point)
    except NotUnderstood as error:
        raise Unreadable(str(error)) from None


def _flag(cell: str) -> bool:
    if cell.lower() in FLAGS:
        return FLAGS[cell.lower()]
    raise Unreadable(f"expected yes or no, got {shown(cell)}; leave the cell empty when unknown")


def _pairs(column: str, cell: str, *, point: bool) -> list[tuple[str, Any]]:
    found: dict[str, Any] = {}
    for part in filter(None, (piece.strip() for piece in cell.split(";"))):
        name, colon, value = (piece.strip() for piece in part.partition(":"))
        if not (name and colon and value):
            raise Unreadable(f"expected name:value pairs joined by ;, got {shown(part)}")
        if name in found:
            raise Unreadable(f"{shown(name)} stands twice; keep one of them")
        found[name] = _paired(column, name, value, point=point)
    return list(found.items())


def _paired(column: str, name: str, value: str, *, point: bool) -> Any:
    if column in WORDS:
        return value
    if column in FIGURES:
        return figure(FIGURES[column], value, point=point)
    return _reading(name, value, point=point)


def _reading(name: str, value: str, *, point: bool) -> Any:
    """A figure with its runs, yes or no, or a word; of a reading that nobody knows, what stands there."""
    if name in quantities():
        return figure(name, value, point=point)
    return FLAGS.get(value.lower(), value)
