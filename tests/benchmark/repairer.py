"""A repairer who does what is said, tells the result and asks again; and two to hold it against.

One follows the best plan fixed at the start, one sees the cause of every symptom. What anything is worth at the
end is the tool's own value of the machine as it then stands, the same for all three; what happens on the way is
drawn by `hidden`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from tests.benchmark.hidden import Tries, Truth, causes, fixes_on, odds_of, orders, sure_worth
from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.work.beliefs import story
from valuer.advice.work.course import Course, course_of
from valuer.advice.work.done import Done
from valuer.advice.work.job import Job, job_of
from valuer.advice.work.trouble import GONE, Trouble
from valuer.advice.work.workshop import Workshop, usual_workshop
from valuer.advice.worth.common import ranges
from valuer.advice.worth.documents import Value
from valuer.advice.worth.lattice import Lattice, lattices, scene_of
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms

STOP = "stop"
CLOSE = 1e-6
MOST_STEPS = 60
"""Steps after which a repairer would have given up: a list that goes round would never end."""


@dataclass(frozen=True)
class Way:
    """One way a step can go, as told: results by fault, what is done next, what is then left."""

    shows: Mapping[str, str]
    next_: str
    left: float


@dataclass(frozen=True)
class Answer:
    """What is told when asked: the step to do, what it costs and touches; what is left now and by the list."""

    step: str
    kind: str
    hours: float
    parts: float
    on: tuple[tuple[str, tuple[str, ...]], ...]
    ways: tuple[Way, ...]
    now: float
    left: float


@dataclass(frozen=True)
class Told:
    """What a repairer has told so far."""

    cured: frozenset[str] = frozenset()
    failed: tuple[tuple[str, frozenset[str]], ...] = ()
    seen: tuple[tuple[str, str], ...] = ()

    @property
    def done(self) -> Done:
        """The same as the adviser takes it."""
        return Done(self.cured, dict(self.failed), dict(self.seen))


@dataclass
class Played:
    """How one machine went under one truth: gains over leaving it, and where the advice broke its word."""

    gain: float = 0.0
    promised: float = 0.0
    steps: int = 0
    strays: list[str] = field(default_factory=list)


@dataclass(eq=False)
class Desk:
    """Asks the adviser about one machine; the same question is asked only once."""

    machine: Machine
    model: ValueModel
    terms: ShopTerms
    shop: Workshop = field(default_factory=usual_workshop)
    _kept: dict[Told, Answer] = field(default_factory=dict)
    _sure: dict[tuple[tuple[str, str], ...], float] = field(default_factory=dict)

    @cached_property
    def lattice(self) -> Lattice:
        """The machine's values."""
        return lattices([scene_of(self.machine, self.terms)], self.model, self.terms)[0]

    @cached_property
    def value(self) -> Value:
        """The machine's price."""
        return ranges([self.lattice], self.model, self.terms)[0]

    @cached_property
    def found(self) -> tuple[Finding, ...]:
        """What is wrong with it, as found."""
        return self.lattice.findings

    def job(self, told: Told) -> Job:
        """The adviser's view of the machine after what was told."""
        return job_of(self.lattice, self.value, self.model, self.terms, self.shop, told.done)

    @cached_property
    def first(self) -> Job:
        """The adviser's view at the start."""
        return self.job(Told())

    @property
    def asked(self) -> int:
        """How many different questions were asked."""
        return len(self._kept)

    def ask(self, told: Told) -> Answer:
        """Return what is said after what was told."""
        if told not in self._kept:
            self._kept[told] = _answer(course_of(self.job(told) if told != Told() else self.first))
        return self._kept[told]

    # ------------------------------------------------------------------------------------------ does as is said
    def follow(self, truth: Truth) -> Played:
        """Do what is said, tell the result, ask again, until told to stop."""
        told, spent, played = Told(), 0.0, Played()
        answer = self.ask(told)
        start = answer.now
        played.promised = answer.left - start
        while answer.step != STOP:
            spent += answer.parts + self.terms.hour_value * answer.hours
            results, told = self._done(answer, told, truth)
            after = self.ask(told)
            played.strays += _strays(answer, results, after)
            answer, played.steps = after, played.steps + 1
            if played.steps > MOST_STEPS:
                played.strays.append("it never ends")
                break
        played.gain = answer.now - spent - start
        return played

    def _done(self, answer: Answer, told: Told, truth: Truth) -> tuple[dict[str, str], Told]:
        by_fault = {item.fault: item for item in self.found}
        touched = {fault for way in answer.ways for fault in way.shows}
        if answer.kind == "look":
            (look,) = {name for name, _ in answer.on}
            results = {fault: truth.shows(look, by_fault[fault]) for fault in sorted(touched)}
            return results, replace(
                told, seen=(*told.seen, *((f"{look}:{fault}", shown) for fault, shown in results.items()))
            )
        assert answer.kind == "fix", f"no {answer.kind} is drawn here"
        results, failed, cured = {}, dict(told.failed), set(told.cured)
        for fault in sorted(touched):
            fixes = [name for name, faults in answer.on if fault in faults]
            if truth.cures(fixes, by_fault[fault]):
                results[fault] = "cured"
                cured.add(fault)
            else:
                results[fault] = "still there"
                failed[fault] = failed.get(fault, frozenset()) | set(fixes)
        failed = {fault: tried for fault, tried in failed.items() if fault not in cured}
        return results, Told(frozenset(cured), tuple(sorted(failed.items())), told.seen)

    # --------------------------------------------------------------------------------- the plan fixed at the start
    @cached_property
    def plan(self) -> tuple[Tries, ...]:
        """The best plan fixed at the start: one order of at most three tries a fault, no looks.

        Chosen by its exact expectation: one fault after another is given its best order, from two beginnings,
        until nothing changes; exact where there is one fault.
        """
        return FixedPlan.of(self).best

    @cached_property
    def apart(self) -> tuple[Tries, ...]:
        """The plan that seems best where tries on one fault are taken as independent, by the odds on the fault."""
        return FixedPlan.of(self, together=False).best

    def keep_to(self, plan: Sequence[Tries], truth: Truth) -> float:
        """Return the gain of carrying out a fixed plan."""
        firsts = [tries.fixes[0] for tries in plan if tries.fixes]
        spent = self.cost(tuple(dict.fromkeys(firsts)))
        failed: dict[str, frozenset[str]] = {}
        cured = set()
        for item, tries in zip(self.found, plan, strict=True):
            done = [fix for fix in dict.fromkeys(firsts) if odds_of_any(fix, item)]
            for place, fix in enumerate(tries.fixes):
                if truth.cures(done, item):
                    break
                if place:
                    spent += self.cost((fix,))
                    done.append(fix)
            if not done:
                continue
            if truth.cures(done, item):
                cured.add(item.fault)
            else:
                failed[item.fault] = frozenset(done)
        told = Told(frozenset(cured), tuple(sorted(failed.items())))
        return self.ask(told).now - spent - self.first.now

    def cost(self, fixes: Sequence[str]) -> float:
        """Return parts and own hours of some fixes done in one session, money."""
        places = [self.shop.names.index(fix) for fix in fixes]
        hours = self.shop.together(places)
        return float(self.shop.parts[places].sum()) * self.terms.price_level + hours * self.terms.hour_value

    # -------------------------------------------------------------------------------------------- who sees the cause
    def sees(self, truth: Truth) -> float:
        """Return the expected gain of the best work when the cause of every symptom is known."""
        key = tuple(sorted(truth.causes.items()))
        if key not in self._sure:
            job = self.first
            for axis, told in self.first.stories.items():
                place = told.riddle.causes.index(truth.causes[job.findings[axis].fault])
                job = job.with_trouble(axis, _known(job, axis, place))
            start = tuple(trouble.start for trouble in job.troubles)
            self._sure[key] = max(float(job.tree.value[start]), float(job.ways.best[start])) - self.first.now
        return self._sure[key]

    def sees_by_hand(self, truth: Truth) -> float:
        """The same for a machine with one symptom, by plain recursion on the tables."""
        (item,), job = self.found, self.first
        (cause,) = truth.causes.values()
        known = job.with_trouble(0, _known(job, 0, job.stories[0].riddle.causes.index(cause)))
        odds = {fix: odds_of(fix, item, cause) for fix in fixes_on(item)}
        costs = {fix: self.cost((fix,)) for fix in odds}
        gone, there = float(known.ways.best[GONE]), float(known.ways.best[known.troubles[0].start])
        return sure_worth(costs, odds, gone, there) - job.now


def odds_of_any(fix: str, finding: Finding) -> bool:
    """Say whether a fix can cure a finding under some cause."""
    return fix in fixes_on(finding)


def _known(job: Job, axis: int, place: int) -> Trouble:
    """The trouble of a symptom whose cause is known: as it is, but one cause, and sold with it named."""
    riddle = job.stories[axis].riddle
    sure = np.zeros(len(riddle.causes))
    sure[place] = 1.0
    told = story(replace(riddle, prior=sure)).trouble
    return replace(told, factor=np.where(told.there > 0, riddle.factors(sure[None])[0], 1.0))


def _answer(course: Course) -> Answer:
    job = course.job
    if not course.works:
        return Answer(STOP, STOP, 0.0, 0.0, (), (), job.now, course.left)
    if job.firsts:
        first = job.firsts[0]
        return Answer(first.gate, "check", first.hours, 0.0, (), (), job.now, course.left)
    visit = course.came[0]
    act = visit.act
    assert act is not None
    names = [trouble.finding.fault for trouble in job.troubles]
    ways = tuple(
        Way(
            {names[axis]: shown for axis, shown in edge.shows},
            STOP if (place := course.tree.choice(edge.to)) < 0 else course.tree.acts[place].id,
            course._left_at(edge.to),
        )
        for edge in visit.edges
    )
    on = tuple(
        (name, tuple(names[axis] for axis, _ in part)) for name, part in zip(act.names, act.on, strict=True)
    )
    return Answer(act.id, act.kind, act.hours, act.parts, on, ways, job.now, course.left)


def _strays(before: Answer, results: Mapping[str, str], after: Answer) -> list[str]:
    """Say where the new answer is not the branch told before."""
    told = [way for way in before.ways if dict(way.shows) == dict(results)]
    if len(told) != 1:
        return [f"{before.step}: {results} was not told"]
    way, found = told[0], []
    if way.next_ != after.step:
        found.append(f"{before.step} {results}: told {way.next_}, then {after.step}")
    if abs(way.left - after.left) > CLOSE:
        found.append(f"{before.step} {results}: told {way.left:.2f} left, then {after.left:.2f}")
    return found


# ------------------------------------------------------------------------------------------------- the fixed plan
@dataclass(frozen=True, eq=False)
class FixedPlan:
    """Searches the best order of tries for each fault.

    ``worth``, shape (2,)*k, is the money left with each fault gone (0) or there (1).
    """

    desk: Desk
    options: tuple[tuple[Tries, ...], ...]
    worth: FloatArray
    together: bool

    @classmethod
    def of(cls, desk: Desk, *, together: bool = True) -> FixedPlan:
        """Return the search for a machine; ``together`` says whether tries on a fault share their cause."""
        job = desk.first
        starts = [[GONE if t.size > 1 else 0, t.start] for t in job.troubles]
        options = tuple(
            tuple(orders(item, desk.machine, together=together))
            if trouble.size > 1
            else (Tries((), (), 0.0),)
            for item, trouble in zip(desk.found, job.troubles, strict=True)
        )
        return cls(desk, options, job.ways.best[np.ix_(*starts)] if starts else job.ways.best, together)

    @property
    def best(self) -> tuple[Tries, ...]:
        """The best plan found, from no work and from the surest tries on every fault."""
        none = tuple(some[0] for some in self.options)
        surest = tuple(
            max(some, key=lambda tries: tries.cured - self._later(tries) / 1e3) for some in self.options
        )
        found = [self._climbed(begun) for begun in (none, surest)]
        return max(found, key=self.gain)

    def _climbed(self, plan: tuple[Tries, ...]) -> tuple[Tries, ...]:
        best = self.gain(plan)
        changed = True
        while changed:
            changed = False
            for axis in range(len(plan)):
                for tries in self._promising(plan, axis):
                    other = (*plan[:axis], tries, *plan[axis + 1 :])
                    gain = self.gain(other)
                    if gain > best + CLOSE:
                        plan, best, changed = other, gain, True
        return plan

    def _promising(self, plan: tuple[Tries, ...], axis: int, most: int = 6) -> list[Tries]:
        """The orders on one fault that are best by themselves, the others as they are; and no try."""
        there = [1 - tries.cured for tries in plan]
        worth = self._expected([*there[:axis], 0.0, *there[axis + 1 :]])
        brings = worth - self._expected([*there[:axis], 1.0, *there[axis + 1 :]])
        costs = self._fix_costs
        ranked = sorted(
            self.options[axis],
            key=lambda t: sum(r * costs[f] for r, f in zip(t.reach, t.fixes, strict=True)) - t.cured * brings,
        )
        return [*ranked[:most], self.options[axis][0]]

    @cached_property
    def _fix_costs(self) -> dict[str, float]:
        every = {fix for some in self.options for tries in some for fix in tries.fixes}
        return {fix: self.desk.cost((fix,)) for fix in every}

    def _later(self, tries: Tries) -> float:
        return sum(r * self._fix_costs[f] for r, f in zip(tries.reach, tries.fixes, strict=True))

    def gain(self, plan: Sequence[Tries]) -> float:
        """The exact expectation: first tries in one session, each acting on all it can; later ones one by one."""
        firsts = tuple(dict.fromkeys(tries.fixes[0] for tries in plan if tries.fixes))
        cost, there = self.desk.cost(firsts) if firsts else 0.0, []
        for item, tries in zip(self.desk.found, plan, strict=True):
            left, later = self._went(item, tries, firsts)
            there.append(left)
            cost += later
        return self._expected(there) - cost

    def _went(self, item: Finding, tries: Tries, firsts: Sequence[str]) -> tuple[float, float]:
        """The chance that a fault is still there after its tries and all first ones, and what later ones cost."""
        others = [fix for fix in firsts if fix not in tries.fixes[:1] and odds_of_any(fix, item)]
        if not others or not self.together:
            return 1 - tries.cured, sum(
                r * self._fix_costs[f] for r, f in zip(tries.reach[1:], tries.fixes[1:], strict=True)
            )
        known: dict[str | None, float] = dict(causes(item, self.desk.machine).items())
        behind = known or {None: 1.0}
        still, cost = 0.0, 0.0
        for cause, chance in behind.items():
            held = max(odds_of(fix, item, cause) for fix in [*others, *tries.fixes[:1]])
            for fix in tries.fixes[1:]:
                cost += chance * (1 - held) * self._fix_costs[fix]
                held = max(held, odds_of(fix, item, cause))
            still += chance * (1 - held)
        return still, cost

    def _expected(self, there: Sequence[float]) -> float:
        left = self.worth
        for chance in reversed(there):
            left = left[..., 0] * (1 - chance) + left[..., 1] * chance
        return float(left)
