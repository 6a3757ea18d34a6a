"""Reading what a row does not say from what it says.

An unknown number is read off the known columns by boosted trees; an unknown level becomes the chances of the levels.
A flag may only push an unknown number towards the lower price, and never touches anything else, so that noting one
more fault can never raise a value through what it hints at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from valuer.price_model.design import Coded, Columns, Floats, design_matrix
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

    def inputs(self, coded: Coded, rows: np.ndarray) -> Floats:
        """The columns the trees look at, for the chosen rows."""
        parts = [coded.categories[rows][:, list(self.categories)], coded.numbers[rows][:, list(self.numbers)]]
        if self.flags:
            parts.append(coded.flags[rows])
        return np.hstack(parts)


@dataclass(frozen=True)
class Unknowns:
    """Readers of every attribute that may be unknown, by name."""

    columns: Columns
    numbers: dict[str, Reader]
    levels: dict[str, Reader]

    def filled(self, coded: Coded) -> Floats:
        """Design matrix of the attributes with unknowns read from the rest."""
        return design_matrix(self._shares(coded), self._numbers(coded), self.told(coded), self.columns)

    def told(self, coded: Coded) -> Floats:
        """1.0 where a row says an attribute, shape (n, n_unknown), of every one that had unknowns in training."""
        c = self.columns
        places = [c.attributes.index(name) for name in c.with_unknowns]
        return np.asarray(1.0 - np.isnan(np.hstack([coded.categories, coded.numbers])[:, places]))

    def _shares(self, coded: Coded) -> Floats:
        """Chances of the levels of all categorical columns, side by side."""
        starts = np.cumsum([0, *(len(levels) for levels in self.columns.levels.values())])
        shares = np.zeros((len(coded), starts[-1]))
        unknown = np.isnan(coded.categories)
        row, column = np.nonzero(~unknown)
        shares[row, starts[column] + coded.categories[row, column].astype(int)] = 1.0
        for i in np.flatnonzero(unknown.any(axis=0)):
            rows = np.flatnonzero(unknown[:, i])
            name = list(self.columns.levels)[i]
            shares[rows, starts[i] : starts[i + 1]] = self._read_shares(coded, rows, name)
        return shares

    def _read_shares(self, coded: Coded, rows: np.ndarray, name: str) -> Floats:
        reader = self.levels.get(name)
        n_levels = len(self.columns.levels[name])
        if reader is None:
            return np.full((len(rows), n_levels), 1.0 / n_levels)
        if reader.trees is None:
            return np.tile(reader.constant, (len(rows), 1))
        return reader.trees.shares(reader.inputs(coded, rows))

    def _ends(self, name: str) -> tuple[float, float]:
        return self.columns.knots[name][0], self.columns.knots[name][-1]

    def _numbers(self, coded: Coded) -> Floats:
        values, blank = coded.numbers.copy(), np.isnan(coded.numbers)
        for i in np.flatnonzero(blank.any(axis=0)):
            rows = np.flatnonzero(blank[:, i])
            values[rows, i] = self._read_number(coded, rows, list(self.columns.knots)[i])
        return values

    def _read_number(self, coded: Coded, rows: np.ndarray, name: str) -> Floats | float:
        reader, (low, high) = self.numbers.get(name), self._ends(name)
        if reader is None:
            return (low + high) / 2
        if reader.trees is None:
            return float(reader.constant[0])
        read = reader.trees.predict(reader.inputs(coded, rows))
        return np.asarray(np.clip(read if name in self.columns.logs else np.expm1(read) + low, low, high))


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
    trees.fit(blank.inputs(coded, known), scaled, sample_weight=counts[known])
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
    trees.fit(blank.inputs(coded, known), places, sample_weight=counts[known])
    return Reader(plain_trees(trees), categories, blank.numbers, flags=False, constant=blank.constant)
