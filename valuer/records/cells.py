"""One CSV cell as the value that JSON would carry in its place."""

import re
from typing import Any

from valuer.domain.machine import Machine
from valuer.domain.words import shown
from valuer.intake.quantities import quantities
from valuer.intake.tables import AS_IS, EMPTY, beside, check_word, finding_text, findings_text, word_in

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
    >>> wire_value("new_price", "1.265")
    1.265
    >>> wire_value("new_price", "1,265.50", point=True)
    1265.5
    """
    if column in AS_IS or cell.lower() in EMPTY:
        return cell if column in AS_IS else None
    if column == "faults":
        return [
            finding_text(part) for part in re.split(r"[;|\n]" if point else r"[;,|\n]", cell) if part.strip()
        ]
    if column in LISTS:
        return [part.strip() for part in cell.split(";") if part.strip()]
    if column in PAIRS or column in NUMBERS:
        return (
            dict(_pairs(column, cell, point=point)) if column in PAIRS else figure(column, cell, point=point)
        )
    return _flag(cell) if column in FLAGGED else word_in(column, cell)


def value_beside(column: str, cell: str, *, point: bool = True) -> Any:
    """The value of a reading, a check or a fault that has a column of its own; None where nothing is said.

    >>> value_beside("blade_stop_s", "2.1 2.3"), value_beside("recall", "OK"), value_beside("dirty", "Slight")
    ([2.1, 2.3], 'passed', 'slight')
    """
    if cell.lower() in EMPTY:
        return None
    if beside()[column] == "readings":
        return _reading(column, cell, point=point)
    if beside()[column] == "checks":
        return check_word(cell)
    severity = cell.strip().lower()
    if severity in ("slight", "serious"):
        return severity
    raise Unreadable(
        f"expected slight or serious, got {shown(cell)}; leave the cell empty where it is not there"
    )


def tidy(wire: dict[str, Any]) -> dict[str, Any]:
    """The values of a machine in JSON as a record takes them: what stands there as text, read as a cell is.

    Raises Unreadable. What cannot be read in any way is left as it is, for the record to refuse by name.

    >>> tidy({"id": "m1", "age_years": "6,5 years", "faults": {"dirty": "slight"}, "recall": "ok"})
    {'id': 'm1', 'age_years': 6.5, 'faults': ['dirty:slight'], 'checks': {'recall': 'passed'}}
    """
    found: dict[str, Any] = {}
    apart: dict[str, dict[str, Any]] = {}
    for name, value in wire.items():
        part = beside().get(name) if name not in Machine.model_fields else None
        if part and isinstance(value, str | int | float | list):
            told = value_beside(name, value) if isinstance(value, str) else value
            if told is not None:
                apart.setdefault(part, {})[name] = told
        elif name == "faults":
            found[name] = findings_text(value)
        elif name in ("readings", "checks") and isinstance(value, dict):
            found[name] = {each: _told(name, each, of) for each, of in value.items()}
        else:
            found[name] = (
                wire_value(name, value) if isinstance(value, str) and name in Machine.model_fields else value
            )
    return joined(found, apart)


def _told(part: str, name: str, value: Any) -> Any:
    if not isinstance(value, str):
        return "passed" if part == "checks" and value is True else value
    if part == "checks":
        return check_word(value)
    return None if value.lower() in EMPTY else _reading(name, value, point=True)


def joined(wire: dict[str, Any], apart: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """The values with those of columns of their own where they belong; raises Unreadable for what stands twice."""
    for part, values in apart.items():
        if part == "faults":
            listed = wire.get(part) or []
            wire[part] = [*listed, *(f"{fault}:{severity}" for fault, severity in values.items())]
            continue
        held = wire.get(part) or {}
        twice = next((name for name in values if name in held), None)
        if twice or not isinstance(held, dict):
            raise Unreadable(f"{twice or part} stands twice; keep one of them")
        wire[part] = {**held, **values}
    return wire


def figure(name: str, text: str, *, point: bool = True) -> float | list[float]:
    """The figure in a cell, of an attribute, a reading or an amount; raises Unreadable.

    What is no plain number is read as people write it; a plain one stands as it is, its bounds are the record's.

    >>> figure("age_years", "6,5 years")
    6.5
    """
    if NUMBER.fullmatch(text) and (point or "." not in text):
        return float(text)
    from valuer.intake.numbers import NotUnderstood, as_wire  # a plain number is read without

    if name not in quantities():
        return text  # type: ignore[return-value]  # of a name that nobody knows, for the record to refuse
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
    for part in filter(None, (piece.strip() for piece in re.split(r"[;|\n]", cell))):
        name, colon, value = (piece.strip() for piece in re.sub(r"^([^:=]+)=", r"\1:", part).partition(":"))
        if not (name and colon and value):
            raise Unreadable(f"expected name:value pairs joined by ;, got {shown(part)}")
        if name in found:
            raise Unreadable(f"{shown(name)} stands twice; keep one of them")
        found[name] = _paired(column, name, value, point=point)
    return list(found.items())


def _paired(column: str, name: str, value: str, *, point: bool) -> Any:
    if column in WORDS:
        return check_word(value) if column == "checks" else value
    if column in FIGURES:
        return figure(FIGURES[column], value, point=point)
    return _reading(name, value, point=point)


def _reading(name: str, value: str, *, point: bool) -> Any:
    """A figure with its runs, yes or no, or a word; of a reading that nobody knows, what stands there."""
    if name in quantities():
        return figure(name, value, point=point)
    return FLAGS.get(value.lower(), word_in(name, value))
