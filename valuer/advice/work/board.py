"""The board: every state of some troubles, and every way in which an act leads from one to a deeper one, laid out flat.

It hangs on troubles and acts alone: laid out once, it is settled under as many ways of counting as are asked for.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.trouble import GONE, Move, Trouble, along
from valuer.advice.work.workshop import BoolArray, IntArray

State = tuple[int, ...]
ActKind = Literal["look", "measure", "fix"]


@dataclass(frozen=True, slots=True)
class Act:
    """One thing to do, in one session at the bench: a look, a fix, or several fixes that share strip-down.

    ``parts`` is money, ``hours`` bench hours. ``on`` holds, for each part of it, the troubles it touches:
    pairs of a trouble's place and the name of its move. ``after`` are the places of troubles that must be gone first.
    """

    names: tuple[str, ...]
    kind: ActKind
    parts: float
    hours: float
    on: tuple[tuple[tuple[int, str], ...], ...]
    after: tuple[int, ...] = ()

    @property
    def id(self) -> str:
        """The names in one word."""
        return "+".join(self.names)


@dataclass(frozen=True, slots=True)
class Edge:
    """One way an act can go: results by trouble, its chance, and the state after it."""

    shows: tuple[tuple[int, str], ...]
    chance: float
    to: State


Way = tuple[IntArray | slice, FloatArray, IntArray]
"""The doings that can go so, the chance that they do, and the flat place of the state after it."""


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """The states of one depth in which something can be done, ``states`` their flat places, shape (s,).

    Their doings, n acts each at one state, stand state by state, those of each from ``first``, shape (s,), on;
    ``acts``, shape (n,), are the acts' places. ``ways`` are the first way of all doings, the second of those that have
    two, and so on.
    """

    states: IntArray
    first: IntArray
    acts: IntArray
    ways: tuple[Way, ...]

    def best(self, value: FloatArray, costs: FloatArray) -> FloatArray:
        """Return what is left by the best act at each state, (rows, s), by the values, (rows, all), of deeper ones.

        ``costs``, shape (rows, acts), is what each act is charged.
        """
        worth = -costs.take(self.acts, axis=1)
        for doings, chance, to in self.ways:
            worth[:, doings] += chance * value.take(to, axis=1)
        return np.asarray(np.maximum.reduceat(worth, self.first, axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """The ways of all acts, by act and by the places of the troubles it touches or waits for: r rows of m ways.

    ``chance`` and ``shift``, shape (r, m), are the chance of each way and how far on in flat order it leads, ``ways``,
    shape (acts,), how many an act has; ``able``, shape (r,), says whether it can be done. A state is told by its
    places, shape (k,): its row for each act is places @ ``steps``, shape (k, acts), + ``first``, shape (acts,).
    """

    chance: FloatArray
    shift: IntArray
    ways: IntArray
    able: BoolArray
    steps: FloatArray
    first: IntArray

    def rows(self, places: IntArray) -> IntArray:
        """Return the row of every act at states, places of shape (..., k); shape (..., acts)."""
        # in floats, which hold such numbers exactly and are multiplied many times as quickly
        return np.asarray((places.astype(np.float64) @ self.steps + self.first).astype(np.int64))


@dataclass(frozen=True, eq=False)
class Board:
    """All states of some troubles and all that can be done in them."""

    troubles: tuple[Trouble, ...]
    acts: tuple[Act, ...]

    @cached_property
    def sizes(self) -> tuple[int, ...]:
        """Number of places of each trouble."""
        return tuple(trouble.size for trouble in self.troubles)

    @cached_property
    def strides(self) -> IntArray:
        """How far on in flat order the next place of each trouble is, shape (k,)."""
        return np.array([int(np.prod(self.sizes[axis + 1 :])) for axis in range(len(self.sizes))])

    @cached_property
    def levels(self) -> tuple[Level, ...]:
        """The states in which something can be done, by depth, the deepest first: every way leads to one before."""
        if not self.acts:
            return ()
        k, table = len(self.sizes), self._table
        depths = [along(trouble.depth, axis, k) for axis, trouble in enumerate(self.troubles)]
        depth = np.asarray(sum(depths[1:], depths[0])).ravel()
        order = np.argsort(-depth, kind="stable")
        rows = table.rows(np.stack(np.unravel_index(order, self.sizes), axis=1))
        able = table.able[rows]
        place, acts = np.nonzero(able)
        if not len(place):
            return ()
        rows, states = rows[able], order[place]
        ends = [0, *(np.flatnonzero(np.diff(depth[states])) + 1).tolist(), len(states)]
        new = np.flatnonzero(np.diff(place, prepend=-1))
        ways = self._ways(acts, rows, states, ends)
        return tuple(
            Level(states[here], here - start, acts[start:stop], some)
            for (start, stop), here, some in zip(
                pairwise(ends), np.split(new, np.searchsorted(new, ends[1:-1])), ways, strict=True
            )
        )

    def _ways(
        self, acts: IntArray, rows: IntArray, states: IntArray, ends: Sequence[int]
    ) -> list[tuple[Way, ...]]:
        """Return the ways of each level; its doings, their acts, rows and states, end where the next one's begin."""
        table = self._table
        found: list[list[Way]] = [[] for _ in ends[1:]]
        for number in range(table.chance.shape[1]):
            doings = np.flatnonzero((table.ways > number)[acts])
            doings = doings[table.chance[rows[doings], number] > 0]
            chance = table.chance[rows[doings], number]
            to = states[doings] + table.shift[rows[doings], number]
            cuts = pairwise(np.searchsorted(doings, ends).tolist())
            for level, (start, stop), (low, high) in zip(found, pairwise(ends), cuts, strict=True):
                if high > low:
                    every = high - low == stop - start
                    here = slice(None) if every else doings[low:high] - start
                    level.append((here, chance[low:high], to[low:high]))
        return [tuple(level) for level in found]

    def worths(self, state: State, value: FloatArray, costs: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the acts that can be done in a state, by their places, and the money left by doing each next.

        ``value``, flat, is what is left from each state on, ``costs`` what each act is charged.
        """
        places = np.array(state)
        rows = self._table.rows(places)
        acts = np.flatnonzero(self._table.able[rows])
        to = int(places @ self.strides) + self._table.shift[rows[acts]]
        worth = (self._table.chance[rows[acts]] * value[to]).sum(axis=1) - costs[acts]
        return acts, np.asarray(worth)

    def edges(self, state: State, place: int) -> tuple[Edge, ...]:
        """Return every way the act at a place among the acts can go from a state; the chances sum to 1."""
        if (state, place) not in self._edges:
            found = [Edge((), 1.0, state)]
            for axis, name in (pair for part in self.acts[place].on for pair in part):
                move = self.troubles[axis].moves[name]
                found = [after for edge in found for after in _split(edge, axis, move)]
            self._edges[state, place] = tuple(found)
        return self._edges[state, place]

    @cached_property
    def _edges(self) -> dict[tuple[State, int], tuple[Edge, ...]]:
        """The edges asked for so far: trees of several ways of counting come to much the same states."""
        return {}

    @cached_property
    def _table(self) -> _Table:
        each = [_ways_of(act, self.troubles, self.strides) for act in self.acts]
        ways = np.array([chance.shape[1] for chance, *_ in each])
        first = np.cumsum([0, *(len(chance) for chance, *_ in each)])
        shape = int(first[-1]), int(ways.max())
        chance, shift = np.zeros(shape), np.zeros(shape, dtype=np.int64)
        for (odds, leads, _), (start, stop) in zip(each, pairwise(first), strict=True):
            chance[start:stop, : odds.shape[1]] = odds
            shift[start:stop, : odds.shape[1]] = leads
        return _Table(
            chance=chance,
            shift=shift,
            ways=ways,
            able=np.asarray((chance > 0).any(axis=1)),
            steps=np.stack([steps for *_, steps in each], axis=1),
            first=first[:-1],
        )


def _split(edge: Edge, axis: int, move: Move) -> Iterator[Edge]:
    here = edge.to[axis]
    if not move.can[here]:
        yield edge
        return
    ways = zip(move.shows, move.chance[here].tolist(), move.leads[here].tolist(), strict=True)
    for shown, chance, to in ways:
        if chance > 0:
            after = (*edge.to[:axis], to, *edge.to[axis + 1 :])
            shows = (*(pair for pair in edge.shows if pair[0] != axis), (axis, shown))
            yield Edge(shows, edge.chance * chance, after)


def _ways_of(
    act: Act, troubles: Sequence[Trouble], strides: IntArray
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Return the ways of one act by the places of the troubles that it touches or waits for, see `_Table`.

    They are the chances (r, m), 0 in a row in which it cannot be done, how far on each leads (r, m), its steps (k,).
    """
    pairs, steps = [pair for part in act.on for pair in part], np.zeros(len(troubles))
    axes = sorted({axis for axis, _ in pairs} | set(act.after))
    chance, shift = np.ones((1, 1)), np.zeros((1, 1), dtype=np.int64)
    for axis in axes:
        moves = [troubles[axis].moves[name] for other, name in pairs if other == axis]
        odds, leads = _one_after_another(moves, troubles[axis].size)
        moved = (leads - np.arange(len(leads))[:, None]) * strides[axis]
        if len(pairs) == len(axes) == 1:  # most acts: nothing to multiply out
            steps[axis] = 1
            return odds * moves[0].can[:, None], moved, steps
        rows = len(chance) * len(odds)
        chance = (chance[:, None, :, None] * odds[:, None]).reshape(rows, -1)
        shift = (shift[:, None, :, None] + moved[:, None]).reshape(rows, -1)
        steps *= len(odds)
        steps[axis] = 1
    return chance * _able(act, troubles, axes).reshape(-1, 1), shift, steps


def _one_after_another(moves: Sequence[Move], size: int) -> tuple[FloatArray, IntArray]:
    """Return the ways that moves on one trouble can go: the chance from each place, and where to, shape (size, m)."""
    if len(moves) == 1:  # nearly always
        return moves[0].chance, moves[0].leads
    chance, leads = np.ones((size, 1)), np.arange(size)[:, None]
    for move in moves:
        chance = (chance[:, :, None] * move.chance[leads]).reshape(size, -1)
        leads = move.leads[leads].reshape(size, -1)
    return chance, leads


def _able(act: Act, troubles: Sequence[Trouble], axes: Sequence[int]) -> BoolArray:
    """Say at which places of some troubles an act can be done: each part of it must work on at least one of them."""
    shape = [troubles[axis].size for axis in axes]
    able = np.ones(shape, dtype=bool)
    for part in act.on:
        works = np.zeros(shape, dtype=bool)
        for axis, name in part:
            works |= along(troubles[axis].moves[name].can, axes.index(axis), len(axes))
        able &= works
    for axis in act.after:
        able &= along(np.arange(troubles[axis].size) == GONE, axes.index(axis), len(axes))
    for axis, names in more_than_once(act):
        able &= along(heard_out(troubles[axis], names), axes.index(axis), len(axes))
    return able


def more_than_once(act: Act) -> list[tuple[int, tuple[str, ...]]]:
    """Return the troubles that more than one part of a session touches, with these parts' moves."""
    moves: dict[int, tuple[str, ...]] = {}
    for axis, name in (pair for part in act.on for pair in part):
        moves[axis] = (*moves.get(axis, ()), name)
    return [(axis, names) for axis, names in moves.items() if len(names) > 1]


def heard_out(trouble: Trouble, names: Sequence[str]) -> BoolArray:
    """Say from which places (n,) the failure of several moves in one session is followed to its end.

    Where it is not, the list after that session would not be the one told before it.
    """
    here = np.arange(trouble.size)
    heard = np.ones(trouble.size, dtype=bool)
    for name in names:
        move = trouble.moves[name]
        heard &= ~move.unheard[here]
        here = move.leads[here, -1]
    return heard
