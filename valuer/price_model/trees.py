"""Fitted trees as plain arrays, read without the library that grew them.

Every leaf of a tree is one bit. A test that a row fails takes away the leaves to its left; of those that are left the
first is the row's. So all tests of all trees are made at once, without walking.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from valuer.price_model.design import Floats

MOST_LEAVES = 64  # bits of a mask
AT_ONCE = 250_000
"""Tests made at once: more do not stay in the processor's memory."""

Link = Literal["none", "log", "shares"]
"""What a sum of leaves is: the answer itself, its logarithm, or log odds of one of several shares."""


@dataclass(frozen=True)
class Trees:
    """Boosted trees. Shapes: t trees of at most m tests and m + 1 leaves; k outputs, 1 or the number of shares.

    column, limit, blank_left (t, m): a row goes left where its column is at most the limit, or blank (NaN) and
    `blank_left`. gone (t, m): bit mask of the leaves that stay when it goes right, in as few bytes as hold them.
    leaves (t, m + 1): what each adds.
    start (k,): where the sums begin; tree i adds to output i modulo k.
    """

    column: npt.NDArray[np.intp]
    limit: Floats
    blank_left: npt.NDArray[np.bool_]
    gone: npt.NDArray[np.unsignedinteger[Any]]
    leaves: Floats
    start: Floats
    link: Link

    @property
    def count(self) -> int:
        """How many rounds of trees there are."""
        return len(self.leaves) // len(self.start)

    def predict(self, inputs: Floats) -> Floats:
        """One number a row of inputs, shape (n, p); shape (n,)."""
        sums = self._sums(inputs)[:, 0]
        return np.exp(sums) if self.link == "log" else sums

    def along(self, inputs: Floats, of: npt.NDArray[np.intp], last: Floats) -> Floats:
        """`predict` of rows that differ in the last column only: row of[i] of inputs with last[i] after it, shape (n,).

        Along one column an answer changes at the limits of that column only, and they are few.
        """
        limits = np.unique(self.limit[self.column == inputs.shape[1]])
        if len(inputs) * (len(limits) + 1) >= len(last):
            return self.predict(np.column_stack([inputs[of], last]))
        ends = np.append(limits, np.inf)
        every = np.column_stack([np.repeat(inputs, len(ends), axis=0), np.tile(ends, len(inputs))])
        return np.asarray(self.predict(every).reshape(len(inputs), -1)[of, np.searchsorted(limits, last)])

    def shares(self, inputs: Floats) -> Floats:
        """Chance of each level of each row, shape (n, k); rows add up to 1."""
        sums = self._sums(inputs)
        odds = np.exp(sums - sums.max(axis=1, keepdims=True))
        return np.asarray(odds / odds.sum(axis=1, keepdims=True))

    def _sums(self, inputs: Floats) -> Floats:
        step = max(1, AT_ONCE // max(1, self.column.size))
        if len(inputs) <= step:
            return self.start + self._added(inputs)
        parts = [self._added(inputs[first : first + step]) for first in range(0, len(inputs), step)]
        return self.start + np.concatenate(parts)

    def _added(self, inputs: Floats) -> Floats:
        told = inputs[:, self.column.ravel()].reshape(len(inputs), *self.column.shape)
        right = told > self.limit
        blank = np.isnan(told)
        if blank.any():
            right |= blank & ~self.blank_left
        stay = np.bitwise_and.reduce(np.where(right, self.gone, ~self.gone.dtype.type(0)), axis=2)
        first = np.frexp((stay & -stay).astype(np.float64))[1] - 1
        added = self.leaves[np.arange(len(self.leaves)), first]
        return np.asarray(added.reshape(len(inputs), self.count, len(self.start)).sum(axis=1))


def plain_trees(fitted: Any) -> Trees:
    """Trees of a fitted HistGradientBoostingRegressor or -Classifier of scikit-learn 1.9.

    Raises ValueError for more than 64 leaves a tree, and for splits by category, which are not tests of a limit.
    """
    grown = [predictor.nodes for round_ in fitted._predictors for predictor in round_]  # noqa: SLF001 - nothing public tells
    if any(nodes["is_categorical"].any() for nodes in grown):
        raise ValueError("expected trees that split by limits only, got a split by category")
    split = [_split(nodes) for nodes in grown]
    t, m = len(split), max([len(column) for column, *_ in split], default=0)
    column, limit = np.zeros((t, m), dtype=np.intp), np.full((t, m), np.inf)
    blank_left, leaves = np.ones((t, m), dtype=bool), np.zeros((t, m + 1))
    bits = np.min_scalar_type(2 ** (m + 1) - 1)
    gone = np.full((t, m), np.iinfo(bits).max, dtype=bits)
    for i, (columns, limits, blanks, masks, values) in enumerate(split):
        n = len(columns)
        column[i, :n], limit[i, :n], blank_left[i, :n] = columns, limits, blanks
        gone[i, :n] = np.array(masks, dtype=np.uint64).astype(bits)
        leaves[i, : n + 1] = values
    start = np.asarray(fitted._baseline_prediction, dtype=np.float64).ravel()  # noqa: SLF001 - the same
    return Trees(column, limit, blank_left, gone, leaves, start, _link(fitted))


def _link(fitted: Any) -> Link:
    if hasattr(fitted, "classes_"):
        return "shares"
    return "log" if fitted.loss in ("gamma", "poisson") else "none"


def _split(nodes: Any) -> tuple[list[int], list[float], list[bool], list[int], list[float]]:
    """The tests of one tree and its leaves from left to right: columns, limits, blanks to the left, masks, values."""
    columns: list[int] = []
    limits: list[float] = []
    blanks: list[bool] = []
    masks: list[int] = []
    values: list[float] = []

    def walk(place: int) -> None:
        node = nodes[place]
        if node["is_leaf"]:
            values.append(float(node["value"]))
            return
        columns.append(int(node["feature_idx"]))
        limits.append(float(node["num_threshold"]))
        blanks.append(bool(node["missing_go_to_left"]))
        test, first = len(columns) - 1, len(values)
        masks.append(0)
        walk(int(node["left"]))
        masks[test] = (2**64 - 1) & ~sum(1 << leaf for leaf in range(first, len(values)))
        walk(int(node["right"]))

    walk(0)
    if len(values) > MOST_LEAVES:
        raise ValueError(f"expected trees of at most {MOST_LEAVES} leaves, got {len(values)}")
    return columns, limits, blanks, masks, values
