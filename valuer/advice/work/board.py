"""The board: every state of some troubles, and every way in which an act leads from one to a deeper one, laid out flat.

It hangs on troubles and acts alone: laid out once, it is settled under as many ways of counting as are asked for.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, partial
from math import prod
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray
from valuer.advice.work.trouble import GONE, Move, Trouble, along
from valuer.advice.work.workshop import BoolArray, IntArray

State = tuple[int, ...]
Depths = NDArray[np.int16]
"""Short numbers: NumPy sorts them by their digits, in a twentieth of the time."""
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


@dataclass(frozen=True, slots=True, eq=False)
class Ways:
    """The ways of one act by the places of the troubles that it touches or waits for, ``axes``: r of them, in C order.

    ``chance`` and ``shift``, shape (r, m), are the chance of each way and how far on in flat order it leads; ``able``,
    shape (r,), says whether the act can be done.
    """

    axes: tuple[int, ...]
    chance: FloatArray
    shift: IntArray
    able: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """The ways of all acts one after another, those of the most ways first: r rows, an act from some places each.

    ``axes``, one an act in that order, are the troubles it touches. ``acts``, shape (r,), are the acts' places,
    ``able`` says whether they can be done. ``going``, shape (m,), says how many rows can go a first way, a second,
    and so on; ``chance`` and ``shift``, flat, have as many of each way, from its place in ``begins`` on: the largest
    boards have no room for blanks. A state is told by its places, shape (k,): its row for each act is places @
    ``steps``, shape (k, a), + ``first``.
    """

    axes: tuple[tuple[int, ...], ...]
    acts: IntArray
    able: BoolArray
    chance: FloatArray
    shift: IntArray
    going: IntArray
    begins: IntArray
    steps: IntArray
    first: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """All that can be done at the states of one depth: n doings, each a row of the table at a state.

    ``states``, flat places, and ``rows``, which ascend, have shape (n,); ``going`` says how many, from the first
    on, can go a first way, a second, and so on.
    """

    states: IntArray
    rows: IntArray
    going: tuple[int, ...]


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
    def strides(self) -> tuple[int, ...]:
        """How far on in flat order the next place of each trouble is."""
        return tuple(prod(self.sizes[axis + 1 :]) for axis in range(len(self.sizes)))

    def best(self, ends: FloatArray, costs: FloatArray) -> FloatArray:
        """Return the money left at every state by the best that can be done from it on, shape (rows, *sizes).

        ``ends``, shape sizes, is the money left by stopping, ``costs``, shape (rows, acts), what each act is charged.
        """
        value = np.repeat(ends.reshape(1, -1), len(costs), axis=0)
        if not self.acts:
            return value.reshape(-1, *self.sizes)
        table = self._table
        charged = costs.take(table.acts, axis=1)
        for level in self.levels:
            worth = -charged.take(level.rows, axis=1)
            for going, begins in zip(level.going, table.begins.tolist(), strict=True):
                rows = level.rows[:going] + begins
                to = level.states[:going] + table.shift.take(rows)
                worth[:, :going] += table.chance.take(rows) * value.take(to, axis=1)
            for here, there in zip(value, worth, strict=True):
                np.maximum.at(here, level.states, there)
        return value.reshape(-1, *self.sizes)

    @cached_property
    def levels(self) -> tuple[Level, ...]:
        """All that can be done, by the depth of its state, the deepest first: every way leads to one before."""
        # Half as wide as usual: the largest boards have millions of doings.
        flat, depth = (
            np.arange(prod(self.sizes), dtype=np.int32).reshape(self.sizes),
            np.zeros(self.sizes, np.int16),
        )
        for axis, trouble in enumerate(self.troubles):
            depth += along(trouble.depth.astype(np.int16), axis, depth.ndim)
        of = cache(partial(_own_and_other, flat, depth))  # most acts touch the same few troubles
        found = []
        table = self._table
        for axes, first, stop in zip(
            table.axes, table.first, [*table.first[1:], len(table.able)], strict=True
        ):
            (own, above), (others, beside) = of(axes)
            here = np.flatnonzero(table.able[first:stop])
            states, deep = np.add.outer(own[here], others), np.add.outer(above[here], beside)
            rows = np.repeat((first + here).astype(np.int32), len(others))
            found.append((states.ravel(), rows, deep.ravel()))
        states, rows, deep = (np.concatenate(part) for part in zip(*found, strict=True))
        found.clear()
        order = np.argsort(-deep, kind="stable")
        cuts = np.flatnonzero(np.diff(deep[order])) + 1
        return tuple(
            Level(here, doing, tuple(np.searchsorted(doing, table.going).tolist()))
            for here, doing in zip(np.split(states[order], cuts), np.split(rows[order], cuts), strict=True)
            if len(here)
        )

    def worths(self, state: State, value: FloatArray, costs: FloatArray) -> FloatArray:
        """Return the money left by doing each act next in a state, minus infinity where it cannot be done.

        ``value``, flat, is what is left from each state on, ``costs`` what each act is charged.
        """
        if not self.acts:
            return np.empty(0)
        table, places = self._table, np.array(state, dtype=np.int64)
        rows = places @ table.steps + table.first
        here = int(places @ self.strides)
        goes = np.searchsorted(rows, table.going)  # rows ascend
        way, act = (np.arange(len(rows)) < goes[:, None]).nonzero()
        at = table.begins[way] + rows[act]
        after = table.chance[at] * value[here + table.shift[at]]
        worth = np.bincount(act, after, len(rows)) - costs[table.acts[rows]]
        found = np.empty(len(self.acts))
        found[table.acts[rows]] = np.where(table.able[rows], worth, -np.inf)
        return found

    def edges(self, state: State, place: int) -> tuple[Edge, ...]:
        """Return every way the act at a place among the acts can go from a state; the chances sum to 1."""
        if (state, place) not in self._edges:
            found = [Edge((), 1.0, state)]
            for axis, name in (pair for part in self.acts[place].on for pair in part):
                move = self.troubles[axis].moves[name]
                found = [after for edge in found for after in _split(edge, axis, move)]
            self._edges[state, place] = _each_once(found)
        return self._edges[state, place]

    @cached_property
    def _edges(self) -> dict[tuple[State, int], tuple[Edge, ...]]:
        """The edges asked for so far: trees of several ways of counting come to much the same states."""
        return {}

    @cached_property
    def _table(self) -> Table:
        every = [_ways_of(act, self.troubles, self.strides) for act in self.acts]
        many = [-ways.chance.shape[1] for ways in every]
        order = sorted(range(len(many)), key=many.__getitem__)
        every = [every[act] for act in order]
        axes, able = tuple(ways.axes for ways in every), [ways.able for ways in every]
        ends = np.cumsum([0, *map(len, able)])
        steps = np.zeros((len(self.sizes), len(order)), np.int64)
        for column, touched in enumerate(axes):
            for place, axis in enumerate(touched):
                steps[axis, column] = prod(self.sizes[other] for other in touched[place + 1 :])
        chance, shift, going = _by_way(every)
        return Table(
            axes=axes,
            acts=np.repeat(np.array(order, np.int32), np.diff(ends)),
            able=np.concatenate(able),
            chance=chance,
            shift=shift,
            going=going,
            begins=np.cumsum(going) - going,
            steps=steps,
            first=ends[:-1],
        )


def _by_way(every: list[Ways]) -> tuple[FloatArray, IntArray, IntArray]:
    """Return the chances and shifts of acts, those of the most ways first, way by way, and how many there are of each.

    The list is used up. What is done with is let go: the ways of the largest boards fill a hundred megabytes.
    """
    every.reverse()
    chances: list[FloatArray] = []  # each of acts with as many ways, one after another
    shifts: list[IntArray] = []
    while every:
        many, alike = every[-1].chance.shape[1], list[Ways]()
        while every and every[-1].chance.shape[1] == many:
            alike.append(every.pop())
        chance, shift = (
            np.concatenate([getattr(ways, name) for ways in alike]) for name in ("chance", "shift")
        )
        chances.append(chance)
        shifts.append(shift)
    widths = [chance.shape[1] for chance in chances]
    pieces = [(way, at) for way in range(widths[0]) for at, width in enumerate(widths) if width > way]
    going = np.bincount([way for way, _ in pieces], [len(chances[at]) for _, at in pieces]).astype(np.int64)
    flat = np.concatenate([chances[at][:, way] for way, at in pieces])
    chances.clear()
    return flat, np.concatenate([shifts[at][:, way] for way, at in pieces]), going


def _own_and_other(
    flat: IntArray, depth: Depths, axes: Sequence[int]
) -> tuple[tuple[IntArray, Depths], tuple[IntArray, Depths]]:
    """Return what the places of some troubles, and those of all others, add to the flat place and the depth of a state.

    ``flat`` and ``depth`` are those of all states, shape sizes; what comes is in C order.
    """
    own = tuple(slice(None) if axis in axes else 0 for axis in range(flat.ndim))
    other = tuple(0 if axis in axes else slice(None) for axis in range(flat.ndim))
    return (flat[own].ravel(), depth[own].ravel()), (
        flat[other].ravel(),
        depth[other].ravel() - depth.flat[0],
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
            shows = {**dict(edge.shows), axis: shown}  # a part after one that failed has the last word
            yield Edge(tuple(shows.items()), edge.chance * chance, after)


def _each_once(edges: Sequence[Edge]) -> tuple[Edge, ...]:
    """Return ways that end alike as one: in a session it is not seen which of its parts cured a trouble."""
    found: dict[tuple[tuple[tuple[int, str], ...], State], Edge] = {}
    for edge in edges:
        key = edge.shows, edge.to
        found[key] = replace(edge, chance=found[key].chance + edge.chance) if key in found else edge
    return tuple(found.values())


def _ways_of(act: Act, troubles: Sequence[Trouble], strides: Sequence[int]) -> Ways:
    """Return the ways of one act."""
    pairs = [pair for part in act.on for pair in part]
    axes = sorted({axis for axis, _ in pairs} | set(act.after))
    chance, shift = np.ones((1, 1)), np.zeros((1, 1), dtype=np.int32)
    for axis in axes:
        moves = [troubles[axis].moves[name] for other, name in pairs if other == axis]
        odds, leads = _one_after_another(moves, troubles[axis].size)
        moved = ((leads - np.arange(len(leads))[:, None]) * strides[axis]).astype(np.int32)
        if len(pairs) == len(axes) == 1:  # most acts: nothing to multiply out
            return Ways((axis,), odds, moved, moves[0].can)
        rows = len(chance) * len(odds)
        chance = (chance[:, None, :, None] * odds[:, None]).reshape(rows, -1)
        shift = (shift[:, None, :, None] + moved[:, None]).reshape(rows, -1)
    return Ways(tuple(axes), chance, shift, _able(act, troubles, axes).ravel())


def _one_after_another(moves: Sequence[Move], size: int) -> tuple[FloatArray, IntArray]:
    """Return the ways that moves on one trouble can go: the chance from each place, and where to, shape (size, m)."""
    if len(moves) == 1:  # nearly always
        return moves[0].chance, moves[0].leads
    chance = np.ones((size, 1))
    leads: IntArray = np.arange(size)[:, None]
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
