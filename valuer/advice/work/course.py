"""What following a job's tree comes to: its steps, put together from every state it comes to."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import erfc, log, sqrt

import numpy as np

from valuer.advice.work.board import Act, State
from valuer.advice.work.first_checks import gain_with
from valuer.advice.work.job import Job
from valuer.advice.work.tree import SAME, Prices, Totals, Tree, Visit
from valuer.advice.work.ways_out import ROUTES
from valuer.advice.worth.documents import Route

Shown = tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Going:
    """One way a step can go: what it shows, its chance, what follows (act ids, None: stop) and what is left."""

    shows: Shown
    chance: float
    then: tuple[tuple[str | None, float], ...]
    left: float


@dataclass(frozen=True, slots=True)
class Stage:
    """One act of the course: the chance of coming to it, and how it can go."""

    act: Act
    chance: float
    goings: tuple[Going, ...]


@dataclass(frozen=True, eq=False)
class Course:
    """The course of a job under one tree, the checks that come first counted.

    ``reach`` is the chance that these are passed; everything after them is weighed with it.
    """

    job: Job
    tree: Tree

    @property
    def came(self) -> list[Visit]:
        """Every state the tree comes to."""
        return self.tree.came

    @property
    def inner(self) -> Totals:
        """The totals of the tree, the checks that come first passed."""
        return self.tree.totals

    @property
    def works(self) -> bool:
        """Whether there is anything to do."""
        return self.came[0].act is not None

    @cached_property
    def reach(self) -> float:
        """Chance that the checks that come first are passed; 1 where there is nothing to do."""
        return float(np.prod([1 - first.fails for first in self.job.firsts])) if self.works else 1.0

    @cached_property
    def first_hours(self) -> float:
        """Expected hours of the checks that come first."""
        hours, still = 0.0, 1.0
        for first in self.job.firsts if self.works else ():
            hours += still * first.hours
            still *= 1 - first.fails
        return hours

    @property
    def hours(self) -> float:
        """Expected bench hours."""
        return self.first_hours + self.reach * self.inner.hours

    @property
    def cash(self) -> float:
        """Expected money for parts."""
        return self.reach * self.inner.cash

    @property
    def worst_cash(self) -> float:
        """Money for parts if all goes the dearest way."""
        return self.inner.worst_cash

    @property
    def worst_hours(self) -> float:
        """Bench hours if all goes the longest way."""
        return self.inner.worst_hours + (sum(first.hours for first in self.job.firsts) if self.works else 0.0)

    @property
    def returns(self) -> float:
        """Money gained over leaving as it stands, own hours paid."""
        value = self.job.terms.hour_value
        inner = self.inner.left(value) - self.job.now
        return gain_with(self.job.firsts, value, self.job.now, inner) if self.works else 0.0

    @property
    def left(self) -> float:
        """Money left if it is followed."""
        return self.job.now + self.returns

    @property
    def score(self) -> float:
        """What it brings once every fix has cleared the margin."""
        fixes = sum(stage.chance * len(stage.act.names) for stage in self.stages if stage.act.kind == "fix")
        return self.returns - self.job.terms.margin * fixes

    @property
    def per_hour(self) -> float:
        """What it brings per bench hour, own hours paid; 0 where there is no work."""
        return self.returns / self.hours if self.hours > 0 else 0.0

    @cached_property
    def stages(self) -> tuple[Stage, ...]:
        """The acts in working order: what follows a result stands behind it, a cure before a failure."""
        acting = {visit.state: visit for visit in self.came if visit.act}
        among: dict[Act, list[Visit]] = {act: [] for act in self._order(acting)}
        for visit in acting.values():
            assert visit.act  # noqa: S101  only acting states are kept
            among[visit.act].append(visit)
        return tuple(self._stage(act, visits) for act, visits in among.items())

    def _order(self, acting: dict[State, Visit]) -> list[Act]:
        found: dict[Act, None] = {}
        seen: set[State] = set()
        waiting = [self.came[0].state]
        while waiting:
            state = waiting.pop()
            if state in seen or state not in acting:
                continue
            seen.add(state)
            visit = acting[state]
            assert visit.act  # noqa: S101  the same
            found.setdefault(visit.act)
            waiting += [edge.to for edge in reversed(visit.edges)]
        return list(found)

    def _stage(self, act: Act, among: Sequence[Visit]) -> Stage:
        total = sum(visit.chance for visit in among)
        shown: dict[Shown, list[tuple[float, State]]] = {}
        for visit in among:
            for edge in visit.edges:
                shown.setdefault(edge.shows, []).append((visit.chance * edge.chance / total, edge.to))
        goings = tuple(self._going(shows, ways) for shows, ways in shown.items())
        return Stage(act, self.reach * total, goings)

    def _going(self, shows: Shown, ways: Sequence[tuple[float, State]]) -> Going:
        chance = sum(part for part, _ in ways)
        then: dict[str | None, float] = {}
        for part, state in ways:
            place = self.tree.choice(state)
            name = None if place < 0 else self.tree.acts[place].id
            then[name] = then.get(name, 0.0) + part / chance
        left = sum(part * self._left_at(state) for part, state in ways) / chance
        ranked = sorted(then.items(), key=lambda pair: -pair[1])
        return Going(shows, chance, tuple(ranked), left)

    def _left_at(self, state: State) -> float:
        """Return the money left from a state on, the margin not counted."""
        if state not in self._lefts:
            raise KeyError(state)
        return self._lefts[state]

    @cached_property
    def _lefts(self) -> dict[State, float]:
        left: dict[State, float] = {}
        for visit in reversed(self.came):
            if visit.act is None:
                left[visit.state] = float(self.tree.ends[visit.state])
            else:
                cost = visit.act.parts + self.job.terms.hour_value * visit.act.hours
                left[visit.state] = sum(e.chance * left[e.to] for e in visit.edges) - cost
        return left

    @cached_property
    def endings(self) -> list[tuple[State, float]]:
        """Every state in which it stops, with its chance; with `reach` they sum to 1 less what checks end."""
        return [(visit.state, self.reach * visit.chance) for visit in self.came if not visit.act]

    @cached_property
    def hoped(self) -> State:
        """The state in which it ends if every step goes its best way."""
        state = self.came[0].state
        acting = {visit.state: visit for visit in self.came}
        while acting[state].act:
            state = max(acting[state].edges, key=lambda edge: (self._lefts[edge.to], edge.chance)).to
        return state

    def route(self, state: State) -> int:
        """Return the way by which it leaves at a state."""
        return int(self.job.ways.route[state])

    def price(self, state: State) -> float:
        """Return the expected sale price at a state; for parts or scrap what these bring."""
        return float(self.job.ways.price[state])

    @property
    def value_after(self) -> float:
        """Expected sale price after it."""
        inner = sum(chance * self.price(state) for state, chance in self.endings)
        return inner + (1 - self.reach) * self.price(self.came[0].state)

    @property
    def likeliest(self) -> Route:
        """The likeliest way out after it."""
        return ROUTES[self.job.ways.likeliest(self.endings)]

    def chance_of_loss(self, noise: float) -> float:
        """Return the chance that it leaves less than leaving as it stands was expected to; 0 without work.

        The sale price is log-normal around its expectation, ``noise`` the standard deviation of its logarithm;
        what was spent on the way to an ending counts at its mean.
        """
        if not self.works:
            return 0.0
        spent = self._spent()
        losing = 0.0
        for state, chance in self.endings:
            needed = self.job.now + spent[state] - float(self.tree.ends[state])
            price = max(self.price(state), 1e-9)
            shortfall = log(max(price + needed, 1e-9) / price)
            losing += chance * (
                0.5 * erfc(-shortfall / noise / sqrt(2)) if noise > 0 else float(shortfall > SAME)
            )
        still = 1.0
        for first in self.job.firsts:
            losing += still * first.fails * (first.left < self.job.now)
            still *= 1 - first.fails
        return min(1.0, losing)

    def _spent(self) -> dict[State, float]:
        """Return what was spent on the way to each state, on average, own hours paid."""
        flow: dict[State, float] = {}
        for visit in self.came:
            here = flow.get(visit.state, 0.0)
            if visit.act is None:
                continue
            cost = visit.act.parts + self.job.terms.hour_value * visit.act.hours
            for edge in visit.edges:
                flow[edge.to] = flow.get(edge.to, 0.0) + edge.chance * (here + visit.chance * cost)
        chance = {visit.state: visit.chance for visit in self.came}
        first = self.job.terms.hour_value * self.first_hours
        return {state: first + flow.get(state, 0.0) / chance[state] for state in chance}


def course_of(job: Job) -> Course:
    """Return the course of a job under its terms, within their limits on hours and cash."""
    if job.terms.hours is None and job.terms.cash is None:
        return Course(job, job.tree)
    return best_within(job, offers(job), job.terms.hours, job.terms.cash)


STRETCHES = (
    (1.0, 1.0),
    (1.6, 1.0),
    (2.5, 1.0),
    (5.0, 1.0),
    (12.0, 1.0),
    (1.0, 2.0),
    (1.0, 4.0),
    (2.5, 2.5),
    (1.0, 10.0),
)
"""How many times as dear an hour and money laid out are counted to get lists that need less of them; first as they are.
"""

LEAST_HOUR = 5.0
"""Worth of an hour from which these begin where an hour is worth less, money at price level 1."""


def offers(job: Job) -> list[Course]:
    """Return the lists of one machine that may be best under some limits on hours and cash, the best first.

    They come from the same tree at several prices of an hour and of money laid out; the last one is no work.
    """
    if not job.works:
        return []
    hour, margin = job.terms.hour_value, job.terms.margin
    least = max(hour, LEAST_HOUR * job.terms.price_level)
    rows = [Prices(hour if h == 1 else h * least, c, margin) for h, c in STRETCHES[1:]]
    found: list[Course] = []
    for tree in (job.tree, *job.solved([(row, frozenset()) for row in rows])):
        course = Course(job, tree)
        beaten = any(
            other.hours <= course.hours + SAME and other.worst_cash <= course.worst_cash + SAME
            for other in found
        )
        if not beaten and course.works and course.score > SAME:
            found.append(course)
    return found


def best_within(job: Job, courses: Sequence[Course], hours: float | None, cash: float | None) -> Course:
    """Return the best of some courses within limits: expected hours, worst cash; no work where none fits."""
    for course in sorted(courses, key=lambda course: -course.score):
        if (hours is None or course.hours <= hours + SAME) and (
            cash is None or course.worst_cash <= cash + SAME
        ):
            return course
    return no_work(job)


def no_work(job: Job) -> Course:
    """Return the course that leaves everything as it is."""
    idle = job.idle
    return Course(idle, idle.tree)
