"""Which flags do not add up: pairs that cost more together than apart, and those that are one loss.

A catalogue may name flags that one job cures; a flag that the sales contradict leaves its job again. Pairs nobody
names: every pair that enough rows show is held against what a base leaves over on those rows. A mean that stands far
outside of chance makes the pair one that costs more, or one job of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from valuer.price_model.design import Floats

FEWEST_ROWS = 50
FAR = 4.5
"""Standard errors from which a pair that nobody named is believed: chance makes one in a hundred such searches."""

CONTRADICTED = 2.5
"""Standard errors from which the sales contradict that a flag belongs to a named job."""

LEAST = 0.04
"""Log of the price below which what is together is not worth telling apart."""


@dataclass(frozen=True)
class Together:
    """Flags that do not add up: pairs that cost more than both apart, and groups that are one loss; by column."""

    pairs: tuple[tuple[int, int], ...] = ()
    jobs: tuple[tuple[int, ...], ...] = ()


@dataclass(frozen=True)
class Leftover:
    """What a base leaves over: there, (n, n_flags) of bool; left, residual log price, and weight, of shape (n,)."""

    there: npt.NDArray[np.bool_]
    left: Floats
    weight: Floats

    @classmethod
    def of(cls, flags: Floats, left: Floats, weight: Floats) -> Leftover:
        """A gift or a slip of the pen is no evidence: residuals count up to three standard deviations."""
        spread = np.sqrt(np.average(left**2, weights=weight))
        return cls(flags > 0, np.clip(left, -3 * spread, 3 * spread), weight)

    def mean(self, rows: npt.NDArray[np.bool_]) -> tuple[float, float]:
        """Weighted mean of what is left over on the rows, and its standard error."""
        values, weight = self.left[rows], self.weight[rows]
        mean = float(np.average(values, weights=weight))
        return mean, float(np.sqrt(np.sum(weight**2 * (values - mean) ** 2))) / float(weight.sum())

    def of_pairs(self) -> tuple[Floats, Floats]:
        """The same for the rows of every pair of flags, (n_flags, n_flags) each; an infinite error for few rows."""
        there, w = self.there.astype(float), self.weight

        def total(of: Floats) -> Floats:
            return np.asarray(there.T @ (of[:, None] * there))

        weight = np.maximum(total(w), 1e-12)
        mean = total(w * self.left) / weight
        squares = total(w**2 * self.left**2) - 2 * mean * total(w**2 * self.left) + mean**2 * total(w**2)
        few = there.T @ there < FEWEST_ROWS
        return mean, np.where(few, np.inf, np.sqrt(np.maximum(squares, 0.0)) / weight)

    def without(self, pair: tuple[int, int], mean: float) -> Leftover:
        """What is left over once a pair is known to bring this mean."""
        rows = self.there[:, pair[0]] & self.there[:, pair[1]]
        return replace(self, left=self.left - mean * rows)


def found_together(known: Leftover, named: Sequence[Sequence[int]] = ()) -> Together:
    """Search all pairs of flags; `known` is left over by a base whose jobs are the named ones.

    The surest pair is taken, its mean taken off, and what is left searched again until no pair stands out: so a pair
    is not found for standing beside another. named: groups of columns that one job cures, as a catalogue has it, each
    column in one group at most; a flag leaves its group where the sales contradict it.
    """
    jobs = [job for job in (_agreed(known, job) for job in named) if len(job) > 1]
    open_pairs = np.triu(np.ones((known.there.shape[1],) * 2, dtype=bool), 1)
    for job in jobs:
        open_pairs[np.ix_(job, job)] = False
    settled = sorted({column for job in jobs for column in job})
    costs_more: list[tuple[int, int]] = []
    one_loss: list[tuple[int, int]] = []
    while True:
        mean, error = known.of_pairs()
        sure = np.where(open_pairs & (np.abs(mean) > LEAST), np.abs(mean) / error, 0.0)
        place = np.unravel_index(int(sure.argmax()), sure.shape)
        if sure[place] < FAR:
            return Together(tuple(costs_more), (*jobs, *_joined(one_loss)))
        pair = (int(place[0]), int(place[1]))
        open_pairs[pair] = False
        known = known.without(pair, float(mean[place]))
        if mean[place] < 0:
            costs_more.append(pair)
        elif not set(pair) & set(settled):
            one_loss.append(pair)


def _agreed(known: Leftover, job: Sequence[int]) -> tuple[int, ...]:
    """The columns of a named job that the sales do not contradict: beside others of it, they would cost more."""
    agreed = []
    for column in job:
        others = [other for other in job if other != column]
        rows = known.there[:, column] & known.there[:, others].any(axis=1)
        if rows.sum() >= FEWEST_ROWS:
            mean, error = known.mean(rows)
            if mean < -CONTRADICTED * error:
                continue
        agreed.append(int(column))
    return tuple(agreed)


def _joined(pairs: Sequence[tuple[int, int]]) -> tuple[tuple[int, ...], ...]:
    """Groups of columns of which every two are a pair; each column in one group at most, the surest pairs first."""
    known = set(pairs)
    groups: list[set[int]] = []
    for pair in pairs:
        touched = [group for group in groups if group & set(pair)]
        whole = set(pair).union(*touched)
        if all(two in known for two in combinations(sorted(whole), 2)):
            groups = [group for group in groups if group not in touched] + [whole]
    return tuple(tuple(sorted(group)) for group in groups)
