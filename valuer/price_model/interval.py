"""Prediction intervals: a scale that follows the row, and conformal ends that hold on rows never fitted.

The width comes from out-of-fold errors: boosted trees with a gamma loss learn the size of the error, and the ends are
quantiles of error / size. An attribute that the row does not say can only widen it (a monotone constraint).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from valuer.price_model.design import Floats

LEAST_SCALE = 0.02


def conformal_rank(n: int, miss: float) -> int | None:
    """Rank k of the ordered scores that covers a new one with chance 1 - miss: ceil((n + 1)(1 - miss)); None if k > n.

    Romano, Patterson, Candes 2019 (rank from memory).

    >>> conformal_rank(19, 0.1), conformal_rank(9, 0.1), conformal_rank(8, 0.1)
    (18, 9, None)
    """
    k = math.ceil(round((n + 1) * (1.0 - miss), 9))
    return k if k <= n else None


def conformal_end(scores: Floats, miss: float) -> float:
    """The conformal upper end of the scores, shape (n,); infinite when there are too few of them."""
    k = conformal_rank(len(scores), miss)
    return math.inf if k is None else float(np.sort(scores)[k - 1])


@dataclass(frozen=True)
class Interval:
    """Ends of the interval in units of the scale: log low = mean - below * scale, log high = mean + above * scale."""

    scale_model: Any
    constant: float
    below: float
    above: float

    def scale(self, inputs: Floats) -> Floats:
        """Size of the error to expect, in logs, shape (n,)."""
        if self.scale_model is None:
            return np.full(len(inputs), self.constant)
        return np.asarray(np.maximum(self.scale_model.predict(inputs), LEAST_SCALE))


def scale_inputs(told: Floats, fall: Floats, flags: Floats) -> Floats:
    """What the scale may look at: unknowns first, then the flags and how far they bring the usual row down.

    Shape (n, n_unknown + 1 + n_flags). Nothing else: whatever moved with an attribute, the value above all, could
    make the interval narrower when the attribute is left out (measured: on up to 11 % of machines).
    """
    return np.hstack([1.0 - told, fall[:, None], flags])


def learn_interval(
    inputs: Floats, n_unknown: int, error: Floats, coverage: float, monotone: bool = True
) -> Interval:
    """Learn the scale and its ends from out-of-fold errors of the log price, shape (n,)."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    size = np.maximum(np.abs(error), 1e-3)
    if len(error) < 600:
        return _ends(None, float(size.mean()), np.full(len(error), float(size.mean())), error, coverage)

    def trees() -> Any:
        directions = [1 if monotone and i < n_unknown else 0 for i in range(inputs.shape[1])]
        return HistGradientBoostingRegressor(
            loss="gamma", max_iter=120, max_leaf_nodes=8, learning_rate=0.06, min_samples_leaf=60,
            early_stopping=False, monotonic_cst=directions,
        )  # fmt: skip

    # The scale at a row must not have seen that row's own error, or the ends come out too close.
    fold = np.arange(len(error)) % 4
    scale = np.empty(len(error))
    for k in range(4):
        scale[fold == k] = trees().fit(inputs[fold != k], size[fold != k]).predict(inputs[fold == k])
    return _ends(trees().fit(inputs, size), 0.0, np.maximum(scale, LEAST_SCALE), error, coverage)


def _ends(model: Any, constant: float, scale: Floats, error: Floats, coverage: float) -> Interval:
    miss = (1.0 - coverage) / 2
    score = error / scale
    return Interval(
        model, constant, max(conformal_end(-score, miss), 0.0), max(conformal_end(score, miss), 0.0)
    )
