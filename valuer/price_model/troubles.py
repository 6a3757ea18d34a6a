"""What is wrong or odd about a file: all of it in one line, or a line each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

LONGEST = 300
"""Characters of a line about one thing: the longest list of words a cell may be, and what came."""

LONGEST_OF_MANY, MOST_SORTS, MOST_ROWS = 200, 8, 5
"""In the one line about all: characters of a thing, sorts that are told, rows that are named beside the first."""


class Trouble(NamedTuple):
    """One thing about a file. ``sort``: what others of its kind have in common; ``row``: none where it is no row's."""

    sort: str
    says: str
    row: int | None = None


def all_told(name: str, found: Sequence[Trouble], what: str, *, full: bool = False) -> str:
    """All that was found about the file in one line: how many ``what``, the first of each sort, rows of the rest.

    With ``full`` each in a line of its own.

    >>> slips = [Trouble("drive", "row 3: no such drive", 3), Trouble("drive", "row 7: no such drive", 7)]
    >>> all_told("a.csv", [*slips, Trouble("age", "row 4: no number", 4)], "things wrong")
    'a.csv: 3 things wrong: row 3: no such drive (so in row 7); row 4: no number; `valuer train --full` tells each'
    """
    if full or len(found) == 1:
        return "\n".join(_cut(f"{name}: {each.says}", LONGEST) for each in found)
    sorts: dict[str, list[Trouble]] = {}
    for each in found:
        sorts.setdefault(each.sort, []).append(each)
    told = [
        _cut(first.says, LONGEST_OF_MANY) + _so_in(rest) for first, *rest in list(sorts.values())[:MOST_SORTS]
    ]
    more = len(found) > len(told)
    if len(sorts) > MOST_SORTS:
        told.append(f"and {len(sorts) - MOST_SORTS} more sorts")
    if more:
        told.append("`valuer train --full` tells each")
    return f"{name}: {len(found)} {what}: {'; '.join(told)}"


def _so_in(rest: Sequence[Trouble]) -> str:
    """The rows of others of the same sort."""
    if not rest:
        return ""
    named = ", ".join(str(each.row) for each in rest[:MOST_ROWS])
    more = f" and {len(rest) - MOST_ROWS} more" if len(rest) > MOST_ROWS else ""
    return f" (so in row{'s' * (len(rest) > 1)} {named}{more})"


def _cut(line: str, longest: int) -> str:
    return line if len(line) <= longest else f"{line[: longest - 3]}..."
