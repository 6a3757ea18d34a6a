"""Fitted trees as plain arrays, read without the library that grew them.

Every leaf of a tree is one bit. A test that a row fails takes away the leaves to its left; of those that are left the
first is the row's. So all tests of all trees are made at once, without walking.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from valuer.price_model.design import Floats, Places

Masks = npt.NDArray[np.unsignedinteger[Any]]

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
        return np.asarray(np.exp(sums) if self.link == "log" else sums)

    def of_heads(self, heads: Floats, of: npt.NDArray[np.intp], rest: Floats) -> Floats:
        """`predict` of rows that have the columns of heads[of[i]], then those of rest[i]; shape (n,).

        heads: shape (m, p), p at least 1; rest: shape (n, q). Tests of columns that rows share are made once.
        """
        tree, test = np.nonzero(self.column >= heads.shape[1])
        if not len(tree) or len(heads) == len(rest):
            return self.predict(np.hstack([heads[of], rest]))
        starts = np.flatnonzero(np.diff(tree, prepend=-1))
        asked = tree[starts]
        stay = np.concatenate([self._stay(heads[some]) for some in _parts(len(heads), self.column.size)])
        settled = self._of_leaves(stay)
        settled[:, asked] = 0.0
        sums, stay = self.start[0] + settled.sum(axis=1)[of], stay[:, asked]
        column, limit = self.column[tree, test] - heads.shape[1], self.limit[tree, test]
        gone, blank_left = self.gone[tree, test], self.blank_left[tree, test]
        for some in _parts(len(rest), len(tree)):
            right = _right(rest[some][:, column], limit, blank_left)
            left = np.bitwise_and.reduceat(np.where(right, gone, _all(gone)), starts, axis=1) & stay[of[some]]
            sums[some] += self.leaves[asked, _first(left)].sum(axis=1)
        return np.asarray(np.exp(sums) if self.link == "log" else sums)

    def shares(self, inputs: Floats) -> Floats:
        """Chance of each level of each row, shape (n, k); rows add up to 1."""
        sums = self._sums(inputs)
        odds = np.exp(sums - sums.max(axis=1, keepdims=True))
        return np.asarray(odds / odds.sum(axis=1, keepdims=True))

    def _sums(self, inputs: Floats) -> Floats:
        added = [self._added(inputs[some]) for some in _parts(len(inputs), self.column.size)]
        return np.asarray(self.start + np.concatenate(added))

    def _added(self, inputs: Floats) -> Floats:
        added = self._of_leaves(self._stay(inputs))
        return np.asarray(added.reshape(len(inputs), self.count, len(self.start)).sum(axis=1))

    def _of_leaves(self, stay: Masks) -> Floats:
        """What every tree adds, shape (n, t), by which of its leaves stay."""
        return np.asarray(self.leaves[np.arange(len(self.leaves)), _first(stay)])

    def _stay(self, inputs: Floats) -> Masks:
        """The leaves of every tree that stay, shape (n, t), after its tests of the columns of inputs, (n, p)."""
        there = self.column < inputs.shape[1]
        told = inputs[:, np.where(there, self.column, 0).ravel()].reshape(len(inputs), *self.column.shape)
        right = _right(told, self.limit, self.blank_left) & there
        return np.asarray(np.bitwise_and.reduce(np.where(right, self.gone, _all(self.gone)), axis=2))


def _right(told: Floats, limit: Floats, blank_left: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Which rows fail each test and so go right."""
    right = told > limit
    blank = np.isnan(told)
    if blank.any():
        right |= blank & ~blank_left
    return right


def _first(stay: Masks) -> Places:
    """Place of the first leaf of those that stay."""
    return np.frexp((stay & -stay).astype(np.float64))[1] - 1


def _all(masks: Masks) -> np.unsignedinteger[Any]:
    """The mask that takes no leaf away."""
    return ~masks.dtype.type(0)


def _parts(rows: int, tests: int) -> list[slice]:
    """Parts of so many rows, one at least, of each of which all tests can be made at once."""
    step = max(1, AT_ONCE // max(1, tests))
    return [slice(first, first + step) for first in range(0, max(rows, 1), step)]


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
