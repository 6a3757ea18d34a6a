"""Sets of faults told by bits: every different one of a machine once, and the smaller one that it grew from.

Faults are ranked by a factor each, the least first, and a rank takes two bits (level 0, 1 or 2). So the lowest bit of a
set is of its least factor, and what the set grew from is the same without the faults of that factor.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray

Levels = NDArray[np.uint8]
Places = NDArray[np.intp]
Flags = NDArray[np.bool_]
Words = NDArray[np.uint64]

RANKS = 32
"""Faults in a word of 64 bits."""

FOUR = np.array([0, 2, 4, 6], dtype=np.uint8)
"""Where the bits of the four faults in a byte stand."""

ODD = np.array(
    [0x9E6C63D0876A3F35, 0xD1B54A32D192ED03, 0xABC98388FB8FAC03, 0x8CB92BA72F3D8DD7], dtype=np.uint64
)
"""Odd numbers without a pattern, by which the columns of a table of numbers are mixed into one."""


def packed(levels: Levels) -> Words:
    """Levels by rank, shape (n, n_faults), as sets of shape (n_words, n)."""
    count, faults = levels.shape
    whole = np.zeros((count, -(-faults // RANKS) * RANKS), dtype=np.uint8)
    whole[:, :faults] = levels
    four = whole.reshape(count, whole.shape[1] // 4, 4)
    bits = four[..., 0] | four[..., 1] << 2 | four[..., 2] << 4 | four[..., 3] << 6
    return np.ascontiguousarray(bits.view("<u8").T)


def unpacked(sets: Words, faults: int) -> Levels:
    """The levels by rank, shape (n, faults), of sets.

    >>> unpacked(packed(np.array([[0, 1, 2, 0, 2]], dtype=np.uint8)), 5).tolist()
    [[0, 1, 2, 0, 2]]
    """
    bits = np.ascontiguousarray(sets.T, dtype="<u8").view(np.uint8)
    levels: Levels = (bits[..., None] >> FOUR) & np.uint8(3)
    return levels.reshape(sets.shape[1], len(sets) * RANKS)[:, :faults]


def least(sets: Words) -> Places:
    """The rank of the least fault of each set, shape (n,); -1 where there is none."""
    ranks = np.full(sets.shape[1], -1)
    for word, bits in reversed(list(enumerate(sets))):
        place = np.frexp((bits & -bits).astype(np.float64))[1] - 1
        ranks = np.where(bits > 0, word * RANKS + place // 2, ranks)
    return ranks


def told_apart(keys: Words) -> tuple[Places, Places]:
    """Where each different column of keys, shape (k, n), first stands, in turn; and which of those each is, (n,)."""
    mixed = (keys * ODD[: len(keys), None]).sum(axis=0)
    order = np.argsort(mixed)
    new = np.diff(mixed[order], prepend=~mixed[order[:1]]) != 0
    first = np.minimum.reduceat(order, np.flatnonzero(new))
    of = np.empty_like(order)
    of[order] = np.cumsum(new) - 1
    if (keys[:, first[of]] != keys).any():  # two came to one number: slowly then
        _, first, of = np.unique(keys, axis=1, return_index=True, return_inverse=True)
    turn = np.argsort(first)
    place = np.empty_like(turn)
    place[turn] = np.arange(len(turn))
    return first[turn], place[of.ravel()]


@dataclass(frozen=True)
class Ranked:
    """Faults by rank. factors: from the least up, shape (n_faults,)."""

    factors: FloatArray

    @cached_property
    def _larger(self) -> Words:
        """The faults of a larger factor than each, (n_words, n_faults + 1); the last column is for no fault at all."""
        larger = np.where(self.factors[None] > self.factors[:, None], 3, 0)
        return packed(np.vstack([larger, np.zeros_like(larger[:1])]).astype(np.uint8))

    def smaller(self, sets: Words) -> Words:
        """What each set grew from, shape (n_words, n); nothing grew from nothing."""
        return np.asarray(sets & self._larger[:, least(sets)])

    def down_to_none(self, sets: Words) -> tuple[Words, Places]:
        """All that each set grew from, one after the other down to nothing, and of which of the sets each is."""
        of, rank = np.nonzero(unpacked(sets, len(self.factors)))
        smaller = sets[:, of] & self._larger[:, rank]
        goes_on = np.ones(len(of), dtype=bool)  # not where one more fault of the same factor goes too
        goes_on[:-1] = (of[1:] != of[:-1]) | (smaller[:, 1:] != smaller[:, :-1]).any(axis=0)
        return smaller[:, goes_on], of[goes_on]


@dataclass(frozen=True)
class Chains:
    """Different sets, n of them: those asked about, and those that these grew from, down to none.

    sets: (n_words, n). by: which of those asked about is that set, or grew from it, shape (n,). asked: whether it is
    that one itself. grew_from: the place of the set that it grew from, its own where it did not grow. of: the place of
    each set asked about.
    """

    sets: Words
    by: Places
    asked: Flags
    grew_from: Places
    of: Places

    def summed(self, steps: FloatArray) -> FloatArray:
        """Sum of the steps of each set and of all it grew from, shape (n,); what did not grow has none."""
        total, up = np.where(self.grew_from == np.arange(len(steps)), 0.0, steps), self.grew_from
        while True:
            total = total + total[up]
            further = up[up]
            if (further == up).all():
                return total
            up = further


def chains(machine: Places, sets: Words, ranked: Ranked, grow: Flags) -> Chains:
    """Tell the sets of machines apart, shapes (k,) and (n_words, k), and what those of them grew from that ``grow``.

    No other set may grow from one that does not. Most of many grew from another of them; what is new is followed down.
    """
    growing, asked = np.flatnonzero(grow), len(machine)
    by = np.concatenate([np.arange(asked), growing])
    keys = np.vstack([machine[by].astype(np.uint64), np.hstack([sets, ranked.smaller(sets[:, growing])])])
    grew_from = np.arange(len(by))
    grew_from[growing] = asked + np.arange(len(growing))
    first, of = told_apart(keys)
    new = first[first >= asked]
    if keys[1:, new].any():
        smaller, at = ranked.down_to_none(keys[1:, new])
        place, last = len(by) + np.arange(len(at)), np.append(at[1:] != at[:-1], True)
        grew_from = np.concatenate([grew_from, np.where(last, place, place + 1)])
        grew_from[new[at[::-1]]] = place[::-1]  # the first of each, written last, stands
        keys = np.hstack([keys, np.vstack([keys[:1, new[at]], smaller])])
        by = np.concatenate([by, by[new[at]]])
        first, of = told_apart(keys)
    return Chains(keys[1:, first], by[first], first < asked, of[grew_from[first]], of[:asked])
