"""How good a set of valuations is: error, coverage, pinball loss."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from valuer.price_model.design import Floats

Mask = npt.NDArray[np.bool_]


def rmse(actual: Floats, predicted: Floats) -> float:
    """Root mean squared error; lower is better. Both of shape (n,).

    >>> rmse(np.array([1.0, 2.0]), np.array([1.0, 4.0]))  # sqrt((0 + 4) / 2)
    1.4142135623730951
    """
    return float(np.sqrt(np.mean((actual - predicted) ** 2)))


def pinball(actual: Floats, predicted: Floats, share: float) -> float:
    """Mean pinball loss of a predicted quantile; lower is better. Both of shape (n,), 0 < share < 1.

    >>> round(pinball(np.array([1.0, 2.0, 3.0]), np.array([0.0, 2.0, 3.0]), 0.1), 4)
    0.0333
    """
    over = actual - predicted
    return float(np.mean(np.maximum(share * over, (share - 1.0) * over)))


def coverage(actual: Floats, low: Floats, high: Floats) -> float:
    """Share of actual values inside their interval, ends included; all of shape (n,)."""
    return float(np.mean((actual >= low) & (actual <= high)))


def coverage_by(groups: Mapping[str, Mask], inside: Mask) -> pd.DataFrame:
    """Rows and coverage by named group; `inside` and each mask of shape (n,)."""
    return pd.DataFrame(
        [
            (name, int(mask.sum()), float(inside[mask].mean()) if mask.any() else np.nan)
            for name, mask in groups.items()
        ],
        columns=["group", "rows", "coverage"],
    )


def subgroups(table: pd.DataFrame, value: Floats, fault_columns: list[str]) -> dict[str, Mask]:
    """Groups of a model table for which coverage is told: drive, age, faults, value, unknowns, fuel with noise."""
    faults = (table[fault_columns] > 0).to_numpy()
    n_faults = faults.sum(axis=1).astype(float)
    age = table["age_years"].astype(float).to_numpy()
    unknown = table[["age_years", "new_price", "tier", "drive", "engine_class"]].isna().to_numpy().sum(axis=1)
    groups: dict[str, Mask] = {
        f"drive {d}": (table["drive"] == d).to_numpy() for d in sorted(table["drive"].dropna().unique())
    }
    groups |= _bands("age", age, (0, 3, 6, 10, 41)) | {"age unknown": np.isnan(age)}
    groups |= _bands("faults", n_faults, (0, 1, 3, 6, 100))
    groups |= _bands("value", value, (0, 30, 60, 100, 200, 400, 1e9))
    groups |= _bands("unknowns", unknown, (0, 1, 2, 3, 9))
    groups["does not start"] = (table["no_start"] > 0).to_numpy()
    groups["fuel leak with starter noise"] = (
        (table["fuel_leak_carb"] > 0) & (table["starter_noise"] > 0)
    ).to_numpy()
    return groups


def _bands(name: str, values: npt.NDArray[Any], ends: tuple[float, ...]) -> dict[str, Mask]:
    def label(low: float, high: float) -> str:
        if high - low == 1:
            return f"{name} {low:g}"
        return f"{name} {low:g} and over" if high >= ends[-1] and high > 30 else f"{name} {low:g} to {high:g}"

    return {label(lo, hi): (values >= lo) & (values < hi) for lo, hi in pairwise(ends)}
