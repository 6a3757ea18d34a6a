"""What each figure is: the unit it is kept in, and between which bounds it can lie."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from valuer.domain.bounds import MOST_MONEY
from valuer.domain.machine import Machine
from valuer.domain.readings import Readings
from valuer.domain.shop import ShopTerms, term_defaults

RUNS: Mapping[str, tuple[float, float]] = {
    "blade_stop_s": (0, 60),
    "roll_pull_kgf": (0, 60),
    "roll_pull_n": (0, 590),
    "roll_pull_lbf": (0, 132),
}
"""Readings taken several times, with the bounds of one run."""

LEAST_SENSE = {"engine_rpm": 100.0}
"""Below this a figure within its bounds makes no sense: nobody's engine runs at 3.1 rpm."""

SUFFIXES: Mapping[str, tuple[str, str]] = {
    "mm": ("length", "mm"), "in": ("length", "in"), "psi": ("pressure", "psi"), "bar": ("pressure", "bar"),
    "kpa": ("pressure", "kPa"), "kgf": ("force", "kgf"), "n": ("force", "N"), "lbf": ("force", "lbf"),
    "kg": ("mass", "kg"), "lb": ("mass", "lb"), "s": ("seconds", "s"), "rpm": ("speed", "rpm"),
    "v": ("voltage", "V"), "percent": ("share", "%"), "years": ("age", "years"), "pulls": ("pulls", "pulls"),
    "hours": ("hours", "h"), "miles": ("distance", "miles"),
}  # fmt: skip
"""Kind and unit by the last word of a figure's name."""

THOUSAND = 1000.0
GROUPED = frozenset({"money", "speed"})
"""Kinds large enough that people part the thousands."""


@dataclass(frozen=True)
class Quantity:
    """A figure somebody may write: ``low`` and ``high`` are its bounds in ``unit``; ``runs`` may be several."""

    name: str
    kind: str
    unit: str
    low: float
    high: float
    runs: bool = False

    @property
    def grouped(self) -> bool:
        """Whether thousands may be parted in it."""
        return self.kind in GROUPED or (self.kind == "number" and self.high > THOUSAND)


def money(name: str = "amount", low: float = 0.0, high: float = MOST_MONEY) -> Quantity:
    """An amount of own money."""
    return Quantity(name, "money", "", low, high)


def hours(name: str = "hours", high: float = 1_000.0) -> Quantity:
    """Hours of work, 1.5 or 1 h 30 min."""
    return Quantity(name, "hours", "h", 0.0, high)


@cache
def quantities() -> dict[str, Quantity]:
    """Every figure that has a name of its own: attributes, readings, terms of the shop, the records' amounts."""
    return {each.name: each for each in _every()}


def _every() -> Iterator[Quantity]:
    for name in ("paid", "price", "fees", "parts", "ask", "asked", "offer", "want", "want_per_hour", "rate"):
        yield money(name)
    yield hours("selling_hours")
    for name, field in ShopTerms.model_fields.items():
        if "float" in str(field.annotation):
            is_money = (name in term_defaults() and term_defaults()[name].money) or name == "cash"
            kind, unit = ("money", "") if is_money else _kind(name, ("number", ""))
            yield Quantity(name, kind, unit, *_bounds(field))
    for name, field in (*Machine.model_fields.items(), *Readings.model_fields.items()):
        if name in RUNS:
            yield Quantity(name, *_kind(name, ("number", "")), *RUNS[name], runs=True)
        elif "float" in str(field.annotation):
            kind, unit = ("money", "") if name == "new_price" else _kind(name, ("number", ""))
            yield Quantity(name, kind, unit, *_bounds(field))


def _kind(name: str, otherwise: tuple[str, str]) -> tuple[str, str]:
    return SUFFIXES.get(name.removesuffix("_wanted").rpartition("_")[2], otherwise)


def _bounds(field: Any) -> tuple[float, float]:
    ends = {
        end: getattr(limit, end)
        for limit in field.metadata
        for end in ("ge", "gt", "le")
        if hasattr(limit, end)
    }
    return float(ends.get("ge", ends.get("gt", 0.0))), float(ends.get("le", 1e12))
