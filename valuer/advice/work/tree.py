"""The decision: at every state of a machine, which act to do next, or to stop and by which way it leaves.

Decision-theoretic troubleshooting (Heckerman, Breese and Rommelse, CACM 38(3), 1995) rolled back over all
states of the machine's troubles. An act costs its parts and hours, its results lead to other states, and no way
leads back; so going through all states from the deepest up settles each for good. Exact for the acts that are
followed from each state.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import cycle
from operator import getitem
from typing import Literal

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.trouble import GONE, Move, Trouble, along
from valuer.advice.work.workshop import BoolArray, IntArray

STOP = -1
SAME = 1e-7
"""Money below which two acts count as equal: the one that stands first is taken, so that the last bit of a float
decides nothing."""

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
class Prices:
    """What one way of counting charges: for an hour, for money laid out, and besides for every fix."""

    hour: float
    cash: float = 1.0
    margin: float = 0.0

    def of(self, act: Act) -> float:
        """Return what an act is charged."""
        fixes = len(act.names) if act.kind == "fix" else 0
        return self.cash * act.parts + self.hour * act.hours + self.margin * fixes


@dataclass(frozen=True, slots=True)
class Edge:
    """One way an act can go: results by trouble, its chance, and the state after it."""

    shows: tuple[tuple[int, str], ...]
    chance: float
    to: State


@dataclass(frozen=True, eq=False)
class Tree:
    """The settled states of one machine: ``value`` in money left, and ``choice`` of act, shapes sizes."""

    troubles: tuple[Trouble, ...]
    acts: tuple[Act, ...]
    ends: FloatArray
    prices: Prices
    value: FloatArray

    @cached_property
    def start(self) -> State:
        """The state the machine is in."""
        return tuple(trouble.start for trouble in self.troubles)

    @cached_property
    def came(self) -> list["Visit"]:
        """Every state it comes to from the start, each before those after it."""
        return visits(self)

    @cached_property
    def totals(self) -> "Totals":
        """What following it from the start comes to."""
        return totals(self, self.came)

    def worth(self, state: State, place: int) -> float:
        """Return the money left when an act is done next, minus infinity where it cannot be done."""
        act = self.acts[place]
        if not can(self.troubles, act, state):
            return -np.inf
        return sum(
            e.chance * float(self.value[e.to]) for e in edges(self.troubles, act, state)
        ) - self.prices.of(act)

    def choice(self, state: State) -> int:
        """Return the act to do next, its place among the acts, or STOP: of equals stopping, then the first."""
        if state not in self._chosen:
            self._chosen[state] = self._choice(state)
        return self._chosen[state]

    @cached_property
    def _chosen(self) -> dict[State, int]:
        """The choices asked for so far: few states of a tree are ever come to."""
        return {}

    def _choice(self, state: State) -> int:
        value = float(self.value[state])
        if self.ends[state] >= value - SAME:
            return STOP
        return next(place for place in range(len(self.acts)) if self.worth(state, place) >= value - SAME)


def can(troubles: Sequence[Trouble], act: Act, state: State) -> bool:
    """Say whether an act can be done in a state: each part of it must work on at least one trouble."""
    if any(state[axis] != GONE for axis in act.after):
        return False
    works = all(any(troubles[axis].moves[name].can[state[axis]] for axis, name in part) for part in act.on)
    return works and all(
        heard_out(troubles[axis], names, np.array([state[axis]])).all() for axis, names in more_than_once(act)
    )


def more_than_once(act: Act) -> list[tuple[int, tuple[str, ...]]]:
    """Return the troubles that more than one part of a session touches, with these parts' moves."""
    if len(act.on) == 1:  # most acts, asked about at every state
        return []
    moves: dict[int, tuple[str, ...]] = {}
    for axis, name in (pair for part in act.on for pair in part):
        moves[axis] = (*moves.get(axis, ()), name)
    return [(axis, names) for axis, names in moves.items() if len(names) > 1]


def heard_out(trouble: Trouble, names: Sequence[str], at: IntArray) -> BoolArray:
    """Say from which of some places (n,) the failure of several moves in one session is followed to its end.

    Where it is not, the list after that session would not be the one told before it.
    """
    heard, here = np.ones(len(at), dtype=bool), at
    for name in names:
        move = trouble.moves[name]
        heard &= ~move.unheard[here]
        here = move.leads[here, -1]
    return heard


def edges(troubles: Sequence[Trouble], act: Act, state: State) -> list[Edge]:
    """Return every way an act can go from a state; the chances sum to 1."""
    found = [Edge((), 1.0, state)]
    for part in act.on:
        for axis, name in part:
            found = [after for edge in found for after in _split(edge, axis, troubles[axis].moves[name])]
    return found


def _split(edge: Edge, axis: int, move: Move) -> Iterator[Edge]:
    here = edge.to[axis]
    if not move.can[here]:
        yield edge
        return
    for shown, chance, to in zip(move.shows, move.chance[here], move.leads[here], strict=True):
        if chance > 0:
            after = (*edge.to[:axis], int(to), *edge.to[axis + 1 :])
            shows = (*(pair for pair in edge.shows if pair[0] != axis), (axis, shown))
            yield Edge(shows, edge.chance * float(chance), after)


def solve(
    troubles: Sequence[Trouble],
    acts: Sequence[Act],
    ends: FloatArray,
    rows: Sequence[tuple[Prices, frozenset[int]]],
) -> list[Tree]:
    """Return the tree for each way of counting; its set holds the acts (places) that are left out.

    ``ends``, shape sizes, is the money left by stopping at each state.
    """
    costs = np.array(
        [
            [np.inf if place in out else prices.of(act) for place, act in enumerate(acts)]
            for prices, out in rows
        ]
    )
    value = np.repeat(ends[None], len(rows), axis=0)
    main = int(np.argmax([trouble.size for trouble in troubles])) if troubles else 0
    if troubles and acts:
        _settle(value, troubles, acts, costs, main)
    return [
        Tree(tuple(troubles), _allowed(acts, out), ends, prices, value[row].copy())  # one kept keeps no other
        for row, (prices, out) in enumerate(rows)
    ]


def _allowed(acts: Sequence[Act], out: frozenset[int]) -> tuple[Act, ...]:
    return tuple(act for place, act in enumerate(acts) if place not in out)


def _settle(
    value: FloatArray, troubles: Sequence[Trouble], acts: Sequence[Act], costs: FloatArray, main: int
) -> None:
    """Raise the values, shape (rows, *sizes), to those of the best acts, in place: deepest places first.

    Along the longest trouble the places are gone through by depth; the others, few, until nothing changes.
    """
    depth = troubles[main].depth
    found = np.ascontiguousarray(np.moveaxis(value, main + 1, 0))
    plans = [_plan(troubles, act, cost, main) for act, cost in zip(acts, costs.T, strict=True)]
    for level in np.unique(depth)[::-1]:
        at = np.flatnonzero(depth == level)
        here = [plan.of_places(at) for plan in plans if plan.able[at].any()]
        for plan in here:
            if not plan.around:  # it leads to deeper levels, settled already: once is enough
                _raise(found, plan, at)
        around = [plan for plan in here if plan.around]
        quiet = 0
        for plan in cycle(around):
            quiet = 0 if _raise(found, plan, at) else quiet + 1
            if quiet == len(around):
                break
    value[:] = np.moveaxis(found, 0, main + 1)


_Ways = Sequence[tuple[FloatArray, IntArray]]
"""Ways that moves along one axis can go: the chance from each place, in a shape that broadcasts, and where to."""


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """An act made ready for values of shape (places of the longest trouble, rows, *other sizes).

    ``able`` says where it can be done; ``first`` are its ways along the longest trouble, ``around`` those along others,
    by axis, the last move first. ``cost`` has shape (rows, 1...).
    """

    able: BoolArray
    cost: FloatArray
    first: _Ways
    around: Sequence[tuple[int, _Ways]]

    def of_places(self, at: IntArray) -> "_Plan":
        """Return the plan for some places of the longest trouble."""
        first = [(chance[at], to[at]) for chance, to in self.first if chance[at].any()]
        return _Plan(self.able[at], self.cost, first, self.around)

    def worth(self, value: FloatArray, at: IntArray) -> FloatArray:
        """Return the value after it for some places of the longest trouble, its cost paid."""
        found = _expected(value, self.first, 0) if self.first else value[at]
        for axis, ways in self.around:  # an expectation is taken from the last move back to the first
            found = _expected(found, ways, axis)
        return found - self.cost


def _plan(troubles: Sequence[Trouble], act: Act, cost: FloatArray, main: int) -> _Plan:
    steps = [pair for part in act.on for pair in part]
    moves, ndim = [troubles[main].moves[name] for axis, name in steps if axis == main], len(troubles) + 1
    return _Plan(
        able=np.expand_dims(np.moveaxis(_mask(troubles, act), main, 0), 1),
        cost=cost.reshape(-1, *[1] * (ndim - 2)),
        first=_ways(moves, 0, ndim) if moves else (),
        around=[
            (place, _ways([troubles[axis].moves[name]], place, ndim))
            for axis, name in reversed(steps)
            if axis != main
            for place in (axis + 2 - (axis > main),)
        ],
    )


def _ways(moves: Sequence[Move], axis: int, ndim: int) -> _Ways:
    """Return the ways that moves on one trouble, made one after another, can go."""
    size = len(moves[0].chance)
    ways = [(np.ones(size), np.arange(size))]
    for move in moves:
        ways = [
            (chance * move.chance[places, way], move.leads[places, way])
            for chance, places in ways
            for way in range(move.chance.shape[1])
        ]
    shape = [1] * ndim
    shape[axis] = size
    return [(chance.reshape(shape), places) for chance, places in ways if chance.any()]


def _expected(value: FloatArray, ways: _Ways, axis: int) -> FloatArray:
    """Return the expectation of ``value`` along an axis over the ways it can go."""
    return np.asarray(sum(chance * value.take(places, axis) for chance, places in ways))


def _raise(value: FloatArray, plan: _Plan, at: IntArray) -> bool:
    """Raise the values of places ``at`` to those of an act where it is better; say whether anything changed."""
    now, best = value[at], plan.worth(value, at)
    better = plan.able & (best > now + SAME / 100)
    if not better.any():
        return False
    value[at] = np.where(better, best, now)
    return True


def _mask(troubles: Sequence[Trouble], act: Act) -> BoolArray:
    """Say at which states an act can be done, shape that broadcasts to sizes."""
    k = len(troubles)
    allowed = np.ones([1] * k, dtype=bool)
    for part in act.on:
        able = np.zeros([1] * k, dtype=bool)
        for axis, name in part:
            able = able | along(troubles[axis].moves[name].can, axis, k)
        allowed = allowed & able
    for axis in act.after:
        allowed = allowed & along(np.arange(troubles[axis].size) == GONE, axis, k)
    for axis, names in more_than_once(act):
        heard = heard_out(troubles[axis], names, np.arange(troubles[axis].size))
        allowed = allowed & along(heard, axis, k)
    return np.broadcast_to(allowed, [trouble.size for trouble in troubles])


@dataclass(frozen=True, slots=True)
class Visit:
    """A state that the tree comes to: the chance of coming there, the act done there (None: stop)."""

    state: State
    chance: float
    act: Act | None
    edges: tuple[Edge, ...]


def visits(tree: Tree, start: State | None = None) -> list[Visit]:
    """Return every state the tree comes to from one, each before those after it; the first has chance 1."""
    first = tree.start if start is None else start
    followed = _followed(tree, first)
    chances, done = dict.fromkeys(followed, 0.0) | {first: 1.0}, []
    for state, (act, ways) in followed.items():
        for edge in ways:
            chances[edge.to] += chances[state] * edge.chance
        done.append(Visit(state, chances[state], act, ways))
    return done


def _followed(tree: Tree, first: State) -> dict[State, tuple[Act | None, tuple[Edge, ...]]]:
    """Return what is done at the states the tree comes to, in an order in which every act leads only to later ones."""
    found: dict[State, tuple[Act | None, tuple[Edge, ...]]] = {}
    waiting = [first]
    while waiting:
        state = waiting.pop()
        if state in found:
            continue
        place = tree.choice(state)
        act = None if place == STOP else tree.acts[place]
        ways = tuple(edges(tree.troubles, act, state)) if act else ()
        found[state] = act, ways
        waiting += [edge.to for edge in ways]
    depths = [trouble.depth.tolist() for trouble in tree.troubles]
    return {
        state: found[state] for state in sorted(found, key=lambda state: sum(map(getitem, depths, state)))
    }


@dataclass(frozen=True, slots=True)
class Totals:
    """What following a tree comes to: expected money left by the sale, parts and hours, and the worst of these."""

    proceeds: float
    cash: float
    hours: float
    worst_cash: float
    worst_hours: float

    def left(self, hour_value: float) -> float:
        """Return the money left, own hours paid."""
        return self.proceeds - self.cash - hour_value * self.hours


def totals(tree: Tree, came: Sequence[Visit]) -> Totals:
    """Return what following the tree comes to. ``came`` are its visits, each before those after it."""
    worst: dict[State, tuple[float, float]] = {}
    for visit in reversed(came):
        after = [worst[edge.to] for edge in visit.edges] or [(0.0, 0.0)]
        parts, hours = (visit.act.parts, visit.act.hours) if visit.act else (0.0, 0.0)
        worst[visit.state] = parts + max(a[0] for a in after), hours + max(a[1] for a in after)
    acting = [visit for visit in came if visit.act]
    return Totals(
        proceeds=sum(visit.chance * float(tree.ends[visit.state]) for visit in came if not visit.act),
        cash=sum(visit.chance * visit.act.parts for visit in acting if visit.act),
        hours=sum(visit.chance * visit.act.hours for visit in acting if visit.act),
        worst_cash=worst[came[0].state][0],
        worst_hours=worst[came[0].state][1],
    )
