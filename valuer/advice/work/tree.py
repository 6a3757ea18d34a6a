"""The decision: at every state of a machine, which act to do next, or to stop and by which way it leaves.

Decision-theoretic troubleshooting (Heckerman, Breese and Rommelse, CACM 38(3), 1995) rolled back over all
states of the machine's troubles. An act costs its parts and hours, its results lead to other states, and no way
leads back; so going through all states from the deepest up settles each for good. Exact for the acts that are
followed from each state.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from operator import getitem

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.board import Act, Board, Edge, State
from valuer.advice.work.trouble import Trouble

STOP = -1
SAME = 1e-7
"""Money below which two acts count as equal: the one that stands first is taken, so that the last bit of a float
decides nothing."""


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


@dataclass(frozen=True, eq=False)
class Tree:
    """The settled states of one machine: ``value`` in money left, shape sizes; ``costs`` are what acts are charged."""

    board: Board
    ends: FloatArray
    prices: Prices
    costs: FloatArray
    value: FloatArray

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        """The troubles, an axis of the states each."""
        return self.board.troubles

    @property
    def acts(self) -> tuple[Act, ...]:
        """Every act, those that are left out among them, at an infinite cost."""
        return self.board.acts

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

    def worths(self, state: State) -> FloatArray:
        """Return the money left when each act is done next, minus infinity where it cannot be done."""
        return self.board.worths(state, self.value.ravel(), self.costs)

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
        return int((self.worths(state) >= value - SAME).argmax())


def solve(
    troubles: Sequence[Trouble],
    acts: Sequence[Act],
    ends: FloatArray,
    rows: Sequence[tuple[Prices, frozenset[int]]],
) -> list[Tree]:
    """Return the tree for each way of counting; its set holds the acts (places) that are left out.

    ``ends``, shape sizes, is the money left by stopping at each state.
    """
    return settle(Board(tuple(troubles), tuple(acts)), ends, rows)


def settle(board: Board, ends: FloatArray, rows: Sequence[tuple[Prices, frozenset[int]]]) -> list[Tree]:
    """Return the tree on a board for each way of counting, as `solve` does."""
    costs = np.array(
        [
            [np.inf if place in out else prices.of(act) for place, act in enumerate(board.acts)]
            for prices, out in rows
        ]
    )
    return [
        Tree(board, ends, prices, cost, value.copy())  # one kept keeps no other
        for (prices, _), cost, value in zip(rows, costs, board.best(ends, costs), strict=True)
    ]


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
        ways = () if place == STOP else tree.board.edges(state, place)
        found[state] = None if place == STOP else tree.acts[place], ways
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
