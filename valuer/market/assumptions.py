"""Read the market's assumptions, each with its unit, range and mark, and refuse an incomplete one."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from valuer.domain.symptoms import jobs

Floats = npt.NDArray[np.float64]

FAULT_COLUMNS = ("offered", "as_it_stands", "serious", "wear", "neglect", "knock", "outside")
SEVERITY_COLUMNS = ("money", "fear", "walks", "fixer")


class AssumptionError(ValueError):
    """An assumption is missing, unmarked or outside its own range; the message names the key."""


@dataclass(frozen=True)
class Assumptions:
    """The parsed file: scalar and list assumptions by section, and the tables of classes, buyers and faults."""

    raw: dict[str, Any]

    def __call__(self, section: str, key: str) -> float:
        """Value of one scalar assumption."""
        return float(self.raw[section][key]["value"])

    def series(self, section: str, key: str) -> Floats:
        """Values of one listed assumption, shape (n,)."""
        return np.asarray(self.raw[section][key]["value"], dtype=float)

    @property
    def classes(self) -> dict[str, dict[str, Any]]:
        """Machine classes by name, with share, new price and the mix of attributes."""
        return dict(self.raw["class"])

    @property
    def buyers(self) -> dict[str, dict[str, Any]]:
        """Kinds of buyer by name."""
        return dict(self.raw["buyer"])

    @property
    def faults(self) -> dict[str, dict[str, Any]]:
        """What each fault does in the market, by fault id."""
        return dict(self.raw["fault"])

    @property
    def fault_ids(self) -> list[str]:
        """Fault ids in the order of the severity matrix."""
        return list(self.raw["fault"])

    def fault_column(self, name: str) -> Floats:
        """One per-fault figure over all faults, shape (n_faults,)."""
        return np.array([row[name] for row in self.faults.values()], dtype=float)

    def by_severity(self, name: str) -> Floats:
        """One per-severity figure over all faults, shape (n_faults, 3): none, slight, serious."""
        return np.array([[0.0, *row[name]] for row in self.faults.values()], dtype=float)

    @cached_property
    def one_job(self) -> list[list[int]]:
        """Columns of the faults that are one loss to a buyer, because one job cures them all."""
        return [[self.fault_ids.index(fault) for fault in job] for job in jobs()]


@lru_cache(maxsize=1)
def assumptions() -> Assumptions:
    """Return the packaged assumptions, validated once."""
    text = files("valuer.market").joinpath("assumptions.toml").read_text(encoding="utf-8")
    return parse_assumptions(text)


def parse_assumptions(text: str) -> Assumptions:
    """Parse and check; raises AssumptionError with the key that is wrong."""
    raw = tomllib.loads(text)
    for section, table in raw.items():
        if isinstance(table, dict) and section not in ("class", "buyer", "fault", "marks"):
            for key, entry in table.items():
                _check_entry(f"{section}.{key}", entry)
    for name, row in raw["fault"].items():
        _check_fault(f"fault.{name}", row)
    share = sum(row["share"] for row in raw["class"].values())
    if abs(share - 1.0) > 1e-9:
        msg = f"assumptions.toml: class shares: expected to sum to 1, got {share:.3f}"
        raise AssumptionError(msg)
    return Assumptions(raw)


def _check_entry(key: str, entry: dict[str, Any]) -> None:
    for part in ("value", "unit", "range", "mark"):
        if part not in entry:
            msg = f"assumptions.toml: {key}: expected a {part}, got none"
            raise AssumptionError(msg)
    low, high = entry["range"]
    values = np.atleast_1d(entry["value"])
    if values.min() < low or values.max() > high:
        msg = f"assumptions.toml: {key}: expected a value from {low} to {high}, got {entry['value']}"
        raise AssumptionError(msg)


def _check_fault(key: str, row: dict[str, Any]) -> None:
    for column in FAULT_COLUMNS + SEVERITY_COLUMNS:
        if column not in row:
            msg = f"assumptions.toml: {key}: expected {column}, got none"
            raise AssumptionError(msg)
    for column in SEVERITY_COLUMNS:
        slight, serious = row[column]
        if not 0 <= slight <= serious:
            msg = f"assumptions.toml: {key}.{column}: expected 0 <= slight <= serious, got {row[column]}"
            raise AssumptionError(msg)
