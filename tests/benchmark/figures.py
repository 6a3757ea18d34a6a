"""One measured figure against its goal."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

METRICS = Path(__file__).resolve().parents[2] / "model_cards" / "metrics.json"


@dataclass(frozen=True)
class Figure:
    """A figure as it was measured. `goal` is printed as text; `met` is None where it is for comparison only."""

    name: str
    measured: str
    goal: str
    met: bool | None = None

    def line(self) -> str:
        """Return `figure | measured | goal | met`, or `missed`; `-` where there is no goal."""
        word = {True: "met", False: "missed", None: "-"}[self.met]
        return f"{self.name} | {self.measured} | {self.goal} | {word}"


def at_most(name: str, value: float, goal: float, digits: int = 3, *, note: str = "") -> Figure:
    """Figure that should not be above its goal."""
    return Figure(name, f"{value:.{digits}f}{note}", f"{goal:g} at most", value <= goal)


def at_least(name: str, value: float, goal: float, digits: int = 3, *, note: str = "") -> Figure:
    """Figure that should not be below its goal."""
    return Figure(name, f"{value:.{digits}f}{note}", f"{goal:g} at least", value >= goal)


def within(name: str, value: float, low: float, high: float, digits: int = 3, *, note: str = "") -> Figure:
    """Figure that should lie from `low` to `high`."""
    return Figure(name, f"{value:.{digits}f}{note}", f"{low:g} to {high:g}", low <= value <= high)


def beside(name: str, text: str) -> Figure:
    """Figure printed for comparison, without a goal."""
    return Figure(name, text, "-")


def keep(name: str, figures: object) -> None:
    """Keep the figures of one benchmark in model_cards/metrics.json, from which the card is written."""
    METRICS.parent.mkdir(exist_ok=True)
    kept = json.loads(METRICS.read_text("utf-8")) if METRICS.exists() else {}
    kept[name] = rounded(figures)
    METRICS.write_text(json.dumps(kept, indent=1, sort_keys=True) + "\n", "utf-8")


def merged(before: Sequence[Sequence[str]], now: Sequence[Sequence[str]]) -> list[Sequence[str]]:
    """Rows of figures of which some were measured again: those in their old place, new ones behind.

    >>> merged([["a", "1"], ["b", "2"]], [["c", "4"], ["a", "3"]])
    [['a', '3'], ['b', '2'], ['c', '4']]
    """
    again = {row[0]: row for row in now}
    return [*(again.pop(row[0], row) for row in before), *(row for row in now if row[0] in again)]


def kept(name: str) -> Any:
    """What was kept under a name; empty where nothing was."""
    return json.loads(METRICS.read_text("utf-8")).get(name, []) if METRICS.exists() else []


def rounded(value: object) -> object:
    """Floats to four digits after the point, inside lists and objects too."""
    if isinstance(value, dict):
        return {key: rounded(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(part) for part in value]
    return round(value, 4) if isinstance(value, float) else value
