"""Fitted trees as plain arrays, read without the library that grew them.

Every leaf of a tree is one bit. A test that a row fails takes away the leaves to its left; of those that are left the
first is the row's. So all tests of all trees are made at once, without walking.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
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
        return self.answer(self._sums(inputs)[:, 0])

    def shares(self, inputs: Floats) -> Floats:
        """Chance of each level of each row, shape (n, k); rows add up to 1."""
        sums = self._sums(inputs)
        odds = np.exp(sums - sums.max(axis=1, keepdims=True))
        return np.asarray(odds / odds.sum(axis=1, keepdims=True))

    def answer(self, sums: Floats) -> Floats:
        """What sums of leaves, shape (n,), stand for."""
        return np.exp(sums) if self.link == "log" else sums

    def _sums(self, inputs: Floats) -> Floats:
        added = [self.of_leaves(self.stay(inputs[some])) for some in self.parts(len(inputs))]
        every = added[0] if len(added) == 1 else np.concatenate(added)
        return np.asarray(self.start + every.reshape(-1, self.count, len(self.start)).sum(axis=1))

    def parts(self, rows: int) -> list[slice]:
        """Parts of so many rows, one at least, of each of which all tests can be made at once."""
        step = max(1, AT_ONCE // max(1, self.column.size))
        return [slice(first, first + step) for first in range(0, max(rows, 1), step)]

    def stay(self, inputs: Floats) -> Masks:
        """The leaves of every tree that stay, shape (n, t), after all tests of inputs, shape (n, p)."""
        column, limit, blank_left, gone = self._tests
        told = inputs.take(column, axis=1)
        left = told <= limit
        if np.isnan(inputs).any():
            left |= np.isnan(told) & blank_left
        return np.asarray(np.bitwise_and.reduce(gone | -left.astype(gone.dtype), axis=1))

    def of_leaves(self, stay: Masks) -> Floats:
        """What every tree adds, shape (n, t), by the first of its leaves that stay."""
        one = stay.dtype.type(1)
        first = np.bitwise_count(~stay & (stay - one))
        return self.leaves.ravel().take(self._starts + first)

    @cached_property
    def _tests(self) -> tuple[Places, Floats, npt.NDArray[np.bool_], Masks]:
        """Column, limit, blank_left and gone, shape (m, t): what is next to each other is read together."""
        column, limit, blank_left, gone = (
            np.ascontiguousarray(each.T) for each in (self.column, self.limit, self.blank_left, self.gone)
        )
        return column, limit, blank_left, gone

    @cached_property
    def _starts(self) -> Places:
        """Where the leaves of each tree begin among all."""
        trees, leaves = self.leaves.shape
        return np.arange(0, trees * leaves, leaves)

    def with_tests(self, asked: npt.NDArray[np.bool_]) -> Trees:
        """The same without the tests that are not asked, shape (t, m): whoever comes there goes left."""
        return replace(
            self,
            column=np.where(asked, self.column, 0),
            limit=np.where(asked, self.limit, np.inf),
            blank_left=self.blank_left | ~asked,
        )


@dataclass(frozen=True)
class SharedTrees:
    """Trees of one output for rows that share their first columns, whose tests are made once for all that share them.

    width: how many columns are shared, 1 at least.
    """

    trees: Trees
    width: int

    def predict(self, heads: Floats, of: Places, rest: Floats) -> Floats:
        """`Trees.predict` of rows that have the columns of heads[of[i]], then those of rest[i]; shape (n,).

        heads: shape (m, width); rest: shape (n, q).
        """
        if len(heads) == len(rest):
            return self.trees.predict(np.concatenate([heads[of], rest], axis=1))
        shared, own = self._of_heads, self._of_rest
        stays = np.concatenate([shared.stay(heads[some]) for some in shared.parts(len(heads))])
        settled = shared.of_leaves(stays)
        settled[:, self._asked] = 0.0
        sums, stays = self.trees.start[0] + settled.sum(axis=1)[of], stays[:, self._asked]
        for some in own.parts(len(rest)):
            sums[some] += own.of_leaves(own.stay(rest[some]) & stays[of[some]]).sum(axis=1)
        return self.trees.answer(sums)

    @cached_property
    def _of_heads(self) -> Trees:
        """The trees with tests of shared columns alone."""
        return self.trees.with_tests(self.trees.column < self.width)

    @cached_property
    def _asked(self) -> Places:
        """The trees that test other columns."""
        return np.flatnonzero((self.trees.column >= self.width).any(axis=1))

    @cached_property
    def _of_rest(self) -> Trees:
        """Those trees with the tests of the other columns alone."""
        trees = self.trees
        asked = Trees(
            trees.column[self._asked] - self.width, trees.limit[self._asked], trees.blank_left[self._asked],
            trees.gone[self._asked], trees.leaves[self._asked], trees.start, trees.link,
        )  # fmt: skip
        return asked.with_tests(asked.column >= 0)


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
