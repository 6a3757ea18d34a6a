"""Reading what a row does not say from what it says.

An unknown number is read off the known columns by boosted trees; an unknown level becomes the chances of the levels.
A flag may only push an unknown number towards the lower price, and never touches anything else, so that noting one
more fault can never raise a value through what it hints at.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from valuer.price_model.design import Coded, Columns, Floats, Places, design_matrix
from valuer.price_model.trees import Trees, plain_trees

FEWEST_ROWS = 600
"""Below this many known rows an unknown number is its median, an unknown level its share."""


@dataclass(frozen=True)
class Reader:
    """Reads one column off others: the fitted trees and the columns they look at; or a constant."""

    trees: Trees | None
    categories: tuple[int, ...]
    numbers: tuple[int, ...]
    flags: bool
    constant: Floats

    def looks_at(self, columns: Columns) -> Places:
        """Places of the columns the trees look at in a whole row."""
        first_number = len(columns.levels)
        first_flag = first_number + len(columns.knots)
        flags = range(first_flag, first_flag + len(columns.flags)) if self.flags else ()
        return np.array([*self.categories, *(first_number + i for i in self.numbers), *flags], dtype=np.intp)


def whole(coded: Coded) -> Floats:
    """Whole rows: categories, numbers and flags side by side."""
    return np.concatenate([coded.categories, coded.numbers, coded.flags], axis=1)


@dataclass(frozen=True)
class Unknowns:
    """Readers of every attribute that may be unknown, by name."""

    columns: Columns
    numbers: dict[str, Reader]
    levels: dict[str, Reader]

    def filled(self, coded: Coded) -> tuple[Floats, Floats]:
        """Design matrix of the attributes with unknowns read from the rest, and what the rows say themselves.

        That is 1.0 where a row says an attribute, shape (n, n_unknown), of every one that had unknowns in training.
        """
        rows = whole(coded)
        told = 1.0 - np.isnan(rows.take(self._with_unknowns, axis=1))
        shares, numbers = self._shares(coded.categories, rows), self._numbers(coded.numbers, rows)
        return design_matrix(shares, numbers, told, self.columns), told

    def _shares(self, categories: Floats, rows: Floats) -> Floats:
        """Chances of the levels of all categorical columns, side by side; categories: those of the whole rows."""
        column, code = self._of_level
        shares: Floats = (categories.take(column, axis=1) == code).astype(np.float64)
        for name, blank in _blanks(categories, self.columns.levels):
            shares[np.ix_(blank, self._levels_of[name])] = self._read_shares(rows[blank], name)
        return shares

    def _read_shares(self, rows: Floats, name: str) -> Floats:
        if name in self._trees:
            return self._trees[name].shares(rows)
        reader, n_levels = self.levels.get(name), len(self.columns.levels[name])
        return np.tile(reader.constant if reader else np.full(n_levels, 1.0 / n_levels), (len(rows), 1))

    def _numbers(self, numbers: Floats, rows: Floats) -> Floats:
        """The numbers of whole rows with those read that they do not say."""
        values = numbers.copy()
        for name, blank in _blanks(numbers, self.columns.knots):
            values[blank, list(self.columns.knots).index(name)] = self._read_number(rows[blank], name)
        return values

    def _read_number(self, rows: Floats, name: str) -> Floats | float:
        reader, knots = self.numbers.get(name), self.columns.knots[name]
        low, high = knots[0], knots[-1]
        if reader is None:
            return (low + high) / 2
        if name not in self._trees:
            return float(reader.constant[0])
        read = self._trees[name].predict(rows)
        plain = read if name in self.columns.logs else np.expm1(read) + low
        return np.asarray(np.minimum(np.maximum(plain, low), high))

    @cached_property
    def _trees(self) -> dict[str, Trees]:
        """The trees of every reader that has some, looking at whole rows."""
        return {
            name: replace(reader.trees, column=reader.looks_at(self.columns)[reader.trees.column])
            for name, reader in (*self.numbers.items(), *self.levels.items())
            if reader.trees
        }

    @cached_property
    def _with_unknowns(self) -> list[int]:
        """Places of the attributes that had unknowns in training."""
        return [self.columns.attributes.index(name) for name in self.columns.with_unknowns]

    @cached_property
    def _of_level(self) -> tuple[Places, Floats]:
        """The column of each level, and its code there."""
        each = [
            (i, code) for i, known in enumerate(self.columns.levels.values()) for code in range(len(known))
        ]
        return np.array([i for i, _ in each], dtype=np.intp), np.array(
            [code for _, code in each], dtype=float
        )

    @cached_property
    def _levels_of(self) -> dict[str, Places]:
        """Places of the levels of each column among all levels."""
        column, _ = self._of_level
        return {name: np.flatnonzero(column == i) for i, name in enumerate(self.columns.levels)}


def _blanks(values: Floats, names: Iterable[str]) -> list[tuple[str, Places]]:
    """The columns that some row does not say, by name, and those rows."""
    blank = np.isnan(values)
    if not blank.any():
        return []
    return [(name, rows.nonzero()[0]) for name, rows in zip(names, blank.T, strict=True) if rows.any()]


def learn_unknowns(coded: Coded, columns: Columns, counts: Floats | None = None) -> Unknowns:
    """Fit a reader for every attribute with unknown rows. counts: how much each row counts, shape (n,)."""
    every = np.ones(len(coded)) if counts is None else counts
    numbers = {
        n: _number_reader(coded, i, n, columns, every)
        for i, n in enumerate(columns.knots)
        if n in columns.unknown
    }
    levels = {
        n: _level_reader(coded, i, n, columns, every)
        for i, n in enumerate(columns.levels)
        if n in columns.unknown
    }
    return Unknowns(columns, numbers, levels)


def _unsigned_numbers(columns: Columns, but: str) -> tuple[int, ...]:
    """Numeric columns that may be looked at: those without a sign, so that no law runs through a reading."""
    return tuple(i for i, n in enumerate(columns.knots) if n != but and not columns.signs.get(n))


def _number_reader(coded: Coded, i: int, name: str, columns: Columns, counts: Floats) -> Reader:
    from sklearn.ensemble import HistGradientBoostingRegressor

    target = coded.numbers[:, i]
    known = np.flatnonzero(~np.isnan(target))
    sign = columns.signs.get(name, 0)
    categories = tuple(range(len(columns.levels)))
    numbers = () if sign else _unsigned_numbers(columns, name)
    blank = Reader(None, categories, numbers, bool(sign), np.array([np.median(target[known])]))
    if len(known) < FEWEST_ROWS:
        return blank
    n_free = len(categories) + len(numbers)
    directions = [0] * n_free + ([-sign] * coded.flags.shape[1] if sign else [])
    trees = HistGradientBoostingRegressor(
        max_iter=300, max_leaf_nodes=8, learning_rate=0.05, early_stopping=False, monotonic_cst=directions
    )
    # A few very old machines must not set the guess for all: numbers on a plain scale are read on a log scale.
    scaled = target[known] if name in columns.logs else np.log1p(target[known] - columns.knots[name][0])
    trees.fit(whole(coded)[np.ix_(known, blank.looks_at(columns))], scaled, sample_weight=counts[known])
    return Reader(plain_trees(trees), categories, numbers, bool(sign), blank.constant)


def _level_reader(coded: Coded, i: int, name: str, columns: Columns, counts: Floats) -> Reader:
    from sklearn.ensemble import HistGradientBoostingClassifier

    codes = coded.categories[:, i]
    known = np.flatnonzero(~np.isnan(codes))
    places, n_levels = codes[known].astype(int), len(columns.levels[name])
    seen = np.bincount(places, minlength=n_levels)
    share = np.bincount(places, weights=counts[known], minlength=n_levels) / counts[known].sum()
    categories = tuple(k for k in range(len(columns.levels)) if k != i)
    blank = Reader(None, categories, _unsigned_numbers(columns, name), flags=False, constant=share)
    # Two levels are a share of one thing: the column of unknowns carries their mean already.
    if len(known) < FEWEST_ROWS or n_levels < 3 or seen.min() < 10:
        return blank
    trees = HistGradientBoostingClassifier(
        max_iter=50, max_leaf_nodes=6, learning_rate=0.1, early_stopping=False
    )
    trees.fit(whole(coded)[np.ix_(known, blank.looks_at(columns))], places, sample_weight=counts[known])
    return Reader(plain_trees(trees), categories, blank.numbers, flags=False, constant=blank.constant)
