"""One measured figure against its goal."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """A figure as it was measured. `goal` is printed as text; `met` is None where a figure stands for comparison only."""

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
