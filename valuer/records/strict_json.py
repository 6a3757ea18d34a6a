"""JSON read strictly: no doubled names, no bottomless nesting, no more values than anybody has to tell.

NaN and Infinity pass here, so that the record they stand in can refuse them by field.
"""

import json
from typing import Any

from pydantic_core import from_json

MOST_VALUES = 600_000  # in a file of 25 MB; each costs some 350 bytes while a large object is made
TOO_DEEP = "nested too deeply; a machine has at most three levels"
TOO_LONG = "a number is absurdly long; give at most 15 digits"


class BadJson(ValueError):
    """Text that is not JSON as we accept it; ``row`` and ``column`` point into it where that is known."""

    def __init__(self, text: str, row: int | None = None, column: int | None = None) -> None:
        super().__init__(text)
        self.row = row
        self.column = column


def parse(text: str, most: int = MOST_VALUES) -> Any:
    """The value in a JSON text of at most so many values; raises BadJson with one line that says what to do.

    The values are counted by their commas and brackets before any is made, so those in a remark count too.

    >>> parse('{"id": "m1"}')
    {'id': 'm1'}
    >>> parse('{"id": "m1", "id": "m2"}')
    Traceback (most recent call last):
    valuer.records.strict_json.BadJson: "id" stands twice in the object with id "m1"; keep one of them
    """
    _count(text, most)
    try:
        return json.loads(text, object_pairs_hook=_once)
    except json.JSONDecodeError as error:
        words = error.msg[:1].lower() + error.msg[1:]
        raise BadJson(f"not valid JSON: {words}", error.lineno, error.colno) from None
    except RecursionError:
        raise BadJson(TOO_DEEP) from None
    except BadJson:
        raise
    except ValueError:  # Python refuses to convert whole numbers of thousands of digits
        raise BadJson(TOO_LONG) from None


def at_first_sight(text: str, most: int = MOST_VALUES) -> Any:
    """The same at a third of the price, doubled names let pass: for a long text that will be refused for what it says.

    One that is right so far has to go through `parse` before it is believed.

    >>> at_first_sight('{"id": "m1", "id": "m2"}')
    {'id': 'm2'}
    """
    _count(text, most)
    try:
        return from_json(text, cache_strings="none")
    except ValueError as error:
        words, _, place = str(error).partition(" at line ")
    if words.startswith("recursion limit"):
        raise BadJson(TOO_DEEP)
    if words == "number out of range":
        raise BadJson(TOO_LONG)
    row, _, column = place.partition(" column ")
    raise BadJson(f"not valid JSON: {words}", int(row), int(column))


def _count(text: str, most: int) -> None:
    if sum(map(text.count, ",[{")) >= most:
        raise BadJson(f"holds more than {most:,} values; split it")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            where = f"the object with id {_short(found['id'])}" if "id" in found else "one object"
            raise BadJson(f"{json.dumps(name[:40])} stands twice in {where}; keep one of them")
        found[name] = value
    return found


def _short(value: Any) -> str:
    """A name as JSON has it, of bounded length; of anything else that it is none."""
    return json.dumps(value[:40]) if isinstance(value, str) else "that is no text"
