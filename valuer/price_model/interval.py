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
from valuer.price_model.trees import Trees, plain_trees

LEAST_SCALE = 0.02
RIDGE = 1e-3
MOST_SIZE = 5.0
"""Errors count up to this many times the median one: a nought too many says nothing of how far 8 sales in 10 reach."""


def conformal_rank(n: int, miss: float) -> int | None:
    """Rank k of the ordered scores that covers a new one with chance 1 - miss: ceil((n + 1)(1 - miss)); None if k > n.

    Romano, Patterson, Candes 2019 (rank from memory).

    >>> conformal_rank(19, 0.1), conformal_rank(9, 0.1), conformal_rank(8, 0.1)
    (18, 9, None)
    """
    k = math.ceil(round((n + 1) * (1.0 - miss), 9))
    return k if k <= n else None


def conformal_end(scores: Floats, miss: float, counts: Floats | None = None) -> float:
    """The conformal upper end of the scores, shape (n,); infinite when there are too few of them.

    counts: how much each score counts, shape (n,); a rank is then the sum of what counts up to it.
    """
    if counts is None:
        k = conformal_rank(len(scores), miss)
        return math.inf if k is None else float(np.sort(scores)[k - 1])
    order = np.argsort(scores)
    wanted = (counts.sum() + 1.0) * (1.0 - miss)
    place = int(np.searchsorted(np.cumsum(counts[order]), wanted - 1e-9))
    return float(scores[order][place]) if place < len(scores) else math.inf


@dataclass(frozen=True)
class Interval:
    """Ends of the interval in units of the scale: log low = mean - below * scale, log high = mean + above * scale.

    blank: factor on the scale, in logs, for each of the first inputs, 0 or more: a line before the trees, so that
    what is left blank widens the interval on every row and not only where a tree happens to ask for it.
    held_out: share of whole sales inside ends that were read off the others.
    """

    scale_model: Trees | None
    constant: float
    blank: Floats
    below: float
    above: float
    held_out: float

    def scale(self, inputs: Floats) -> Floats:
        """Size of the error to expect, in logs, shape (n,)."""
        if self.scale_model is None:
            return np.full(len(inputs), self.constant)
        line = np.exp(inputs[:, : len(self.blank)] @ self.blank)
        return np.asarray(np.maximum(line * self.scale_model.predict(inputs), LEAST_SCALE))


def scale_inputs(told: Floats, fall: Floats, flags: Floats, shown: Floats) -> Floats:
    """What the scale may look at: unknowns and what is not shown, the flags and how far they bring the usual row down.

    Shape (n, n_unknown + n_shown + 1 + n_flags). Nothing else: whatever moved with an attribute, the value above all,
    could make the interval narrower when the attribute is left out (measured: on up to 11 % of machines).
    """
    return np.concatenate([1.0 - told, 1.0 - shown, fall[:, None], flags], axis=1)


def learn_interval(
    inputs: Floats,
    n_unknown: int,
    error: Floats,
    coverage: float,
    monotone: bool = True,
    counts: Floats | None = None,
) -> Interval:
    """Learn the scale and its ends from out-of-fold errors of the log price, shape (n,).

    counts: how much each row counts, shape (n,); 1 for a whole sale.
    """
    from sklearn.ensemble import HistGradientBoostingRegressor

    size = np.abs(error)
    size = np.clip(size, 1e-3, max(MOST_SIZE * float(np.median(size)), 1e-3))
    if len(error) < 600:
        usual = float(np.average(size, weights=counts))
        return _ends(None, usual, np.zeros(0), error / usual, coverage, counts)

    def trees() -> Any:
        directions = [1 if monotone and i < n_unknown else 0 for i in range(inputs.shape[1])]
        return HistGradientBoostingRegressor(
            loss="gamma", max_iter=120, max_leaf_nodes=8, learning_rate=0.06, min_samples_leaf=60,
            early_stopping=False, monotonic_cst=directions,
        )  # fmt: skip

    def fit(rows: np.ndarray) -> tuple[Any, Floats]:
        blank = _blank(inputs[rows], n_unknown if monotone else 0, size[rows], every[rows])
        line = np.exp(inputs[rows, : len(blank)] @ blank)
        return trees().fit(inputs[rows], size[rows] / line, sample_weight=every[rows]), blank

    every = np.ones(len(error)) if counts is None else counts
    # The scale at a row must not have seen that row's own error, or the ends come out too close.
    fold = np.arange(len(error)) % 4
    scale = np.empty(len(error))
    for k in range(4):
        fitted, blank = fit(np.flatnonzero(fold != k))
        here = inputs[fold == k]
        scale[fold == k] = np.exp(here[:, : len(blank)] @ blank) * fitted.predict(here)
    whole, blank = fit(np.arange(len(error)))
    score = error / np.maximum(scale, LEAST_SCALE)
    return _ends(plain_trees(whole), 0.0, blank, score, coverage, counts)


def _blank(inputs: Floats, n_unknown: int, size: Floats, counts: Floats) -> Floats:
    """What each blank adds to the log size of the error, 0 or more, all else in a line; shape (n_unknown,).

    Gamma quasi-likelihood with a log link (McCullagh and Nelder 1989, from memory): size / expected + log expected.
    """
    from scipy.optimize import minimize

    x = np.column_stack([inputs, np.ones(len(inputs))])

    def loss(b: Floats) -> tuple[float, Floats]:
        eta = x @ b
        ratio = size * np.exp(-eta)
        value = np.average(ratio + eta, weights=counts) + 0.5 * RIDGE * float(b[:-1] @ b[:-1])
        slope = (counts * (1.0 - ratio)) @ x / counts.sum()
        return float(value), slope + RIDGE * np.append(b[:-1], 0.0)

    start = np.append(np.zeros(inputs.shape[1]), np.log(np.average(size, weights=counts)))
    bounds = [(0.0, None)] * n_unknown + [(None, None)] * (x.shape[1] - n_unknown)
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds)
    return np.asarray(found.x[:n_unknown])


def _ends(
    model: Trees | None, constant: float, blank: Floats, score: Floats, coverage: float, counts: Floats | None
) -> Interval:
    below, above = both_ends(score, coverage, counts)
    return Interval(model, constant, blank, below, above, held_out_coverage(score, coverage, counts))


def both_ends(score: Floats, coverage: float, counts: Floats | None = None) -> tuple[float, float]:
    """How far the interval reaches below and above, in units of the scale; score: error / scale, shape (n,)."""
    miss = (1.0 - coverage) / 2
    return max(conformal_end(-score, miss, counts), 0.0), max(conformal_end(score, miss, counts), 0.0)


def held_out_coverage(score: Floats, coverage: float, counts: Floats | None = None) -> float:
    """Share of the whole sales inside the ends that the other folds give, of five; score: error / scale, shape (n,)."""
    fold = np.random.default_rng(1).permutation(len(score)) % 5
    inside = np.zeros(len(score), dtype=bool)
    for k in range(5):
        rest = None if counts is None else counts[fold != k]
        below, above = both_ends(score[fold != k], coverage, rest)
        inside[fold == k] = (score[fold == k] >= -below) & (score[fold == k] <= above)
    return float(inside[whole_sales(counts, len(score))].mean())


def whole_sales(counts: Floats | None, n: int) -> np.ndarray:
    """Which of n rows count as one sale, not as a part of one; shape (n,) of bool."""
    return np.ones(n, dtype=bool) if counts is None else np.asarray(counts >= 1.0)
