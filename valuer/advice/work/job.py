"""One machine on the bench with all that a decision about it rests on: troubles, acts, ways out, and the tree."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.work.beliefs import MOST_PLACES, LookAt, Riddle, Story, story
from valuer.advice.work.done import NOTHING_DONE, Done
from valuer.advice.work.tree import SAME, STOP, Act, Prices, Tree, Visit, solve, totals, visits
from valuer.advice.work.trouble import (
    AGAIN,
    Trouble,
    after_failure,
    fixed_trouble,
    plain_trouble,
)
from valuer.advice.work.ways_out import WaysOut, flat_selling_cost, scrap_net, ways_out
from valuer.advice.work.workshop import Workshop, odds_on, usual_workshop
from valuer.advice.worth.common import ranges
from valuer.advice.worth.documents import Value
from valuer.advice.worth.lattice import LEVEL, Lattice, lattices, must_cure, scene_of
from valuer.advice.worth.untested import share_of
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.fixes import fix_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Finding, Machine, parse_finding
from valuer.domain.safety import safety_verdict
from valuer.domain.shop import ShopTerms
from valuer.domain.symptoms import (
    Cause,
    Look,
    Symptom,
    answered,
    likelihood,
    looks,
    posterior,
    symptom_for,
    worth_named,
)

MOST_STATES = 60_000
"""States of one machine that are settled exactly; where there are more, the least of its faults are left out."""

MOST_TOGETHER, MOST_SESSIONS = 3, 24
"""Fixes that are weighed as one session because they share strip-down, and such sessions of one machine."""

AGAIN_HOURS = 10 / 60
"""Hours to take a doubtful reading again (judgement, no source)."""

GATE_MINUTES: Mapping[str, float] = {
    "recall": 5,
    "bail": 1,
    "blade_stop": 10,
    "shields": 2,
    "fuel": 10,
    "blade_and_mount": 15,
    "crank": 20,
    "engine_speed": 5,
    "drive_releases": 3,
    "deck": 10,
    "handle": 2,
    "muffler": 3,
}
"""Hands-on minutes of each safety check, without waiting (judgement, no source)."""

OTHER_MINUTES = 10.0


@dataclass(frozen=True, slots=True)
class First:
    """A check that comes before any money is spent, because failing it ends the machine or nearly.

    ``fails`` is the chance that it does, ``left`` the money then left, its own best list followed.
    """

    gate: str
    hours: float
    fails: float
    left: float


def gain_with(firsts: Sequence[First], hour_value: float, now: float, inner: float) -> float:
    """Return the gain of checks done one after another and of what follows when all are passed, money."""
    gain, still = 0.0, 1.0
    for first in firsts:
        gain += still * (first.fails * (first.left - now) - hour_value * first.hours)
        still *= 1 - first.fails
    return gain + still * inner


@dataclass(frozen=True, eq=False)
class Job:
    """A machine under decision. ``stories`` are those of its symptoms, by the trouble's place."""

    lattice: Lattice
    value: Value
    terms: ShopTerms
    shop: Workshop
    done: Done
    troubles: tuple[Trouble, ...]
    stories: Mapping[int, Story]
    acts: tuple[Act, ...]
    ways: WaysOut
    unchecked: tuple[str, ...]
    firsts: tuple[First, ...]
    given_up: tuple[str, ...]

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.lattice.machine

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Its findings, one a trouble."""
        return tuple(trouble.finding for trouble in self.troubles)

    @property
    def selling(self) -> float:
        """The flat cost of a sale, which falls due whatever is cured."""
        return flat_selling_cost(self.lattice.now, self.terms)

    @cached_property
    def prices(self) -> Prices:
        """What acts are charged under the terms."""
        return Prices(self.terms.hour_value, 1.0, self.terms.margin)

    @cached_property
    def tree(self) -> Tree:
        """The tree under the terms, no limits on hours and cash."""
        return self.solved([(self.prices, frozenset())])[0]

    def solved(self, rows: Sequence[tuple[Prices, frozenset[int]]]) -> list[Tree]:
        """Return the trees of several ways of counting, each without some acts."""
        return solve(self.troubles, self.acts, self.ways.best, rows)

    @cached_property
    def came(self) -> list[Visit]:
        """Every state that the tree comes to."""
        return visits(self.tree)

    @property
    def at_stake(self) -> float:
        """Parts and own hours that following the tree may cost, money."""
        spent = totals(self.tree, self.came)
        return spent.worst_cash + self.terms.hour_value * spent.worst_hours

    @property
    def gain(self) -> float:
        """Money gained by following the tree over leaving as it stands, the checks that come first counted."""
        if not self.acts or self.tree.choice(self.tree.start) == STOP:
            return 0.0
        inner = totals(self.tree, self.came).left(self.terms.hour_value) - self.now
        return gain_with(self.firsts, self.terms.hour_value, self.now, inner)

    def with_trouble(self, axis: int, trouble: Trouble) -> "Job":
        """Return the job with another story of one trouble."""
        troubles = (*self.troubles[:axis], trouble, *self.troubles[axis + 1 :])
        maker = _Maker(self.lattice, None, self.terms, self.shop, self.done)
        hours = sum(GATE_MINUTES.get(gate, OTHER_MINUTES) for gate in self.unchecked) / 60
        ways = ways_out(self.lattice, troubles, self.terms, hours)
        return replace(self, troubles=troubles, acts=maker.acts(troubles), ways=ways)

    @property
    def now(self) -> float:
        """Money left from leaving as it stands."""
        return float(self.ways.best[tuple(trouble.start for trouble in self.troubles)])


def jobs(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop | None = None,
    done: Mapping[str, Done] | None = None,
) -> tuple[Job, ...]:
    """Return the job of each machine, all values from one call of the model.

    ``done`` tells, by machine id, what work has done and what looks have shown.
    """
    known = done or {}
    every = lattices([scene_of(machine, terms) for machine in machines], model, terms)
    return tuple(
        job_of(lattice, value, model, terms, shop or usual_workshop(), known.get(lattice.machine.id))
        for lattice, value in zip(every, ranges(every, model, terms), strict=True)
    )


def job_of(
    lattice: Lattice,
    value: Value,
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop,
    done: Done | None = None,
    places: int = MOST_PLACES,
) -> Job:
    """Return the job of a machine whose values are known; ``places`` are those a symptom's story may have."""
    done = _told(done or NOTHING_DONE, lattice.machine)
    own = _own_shop(shop, lattice.machine, terms)
    unchecked = open_checks(lattice.machine, terms, done)
    maker = _Maker(lattice, model, terms, own, done, places=places)
    risks = _risks(lattice, done, unchecked)
    straight = any(gate == "crank" for gate, _ in risks)
    made = _made(replace(maker, crank_is_straight=straight), value, unchecked)
    if made.tree.choice(made.tree.start) == STOP:
        return made
    at_stake = made.at_stake
    firsts = tuple(
        First(gate, GATE_MINUTES[gate] / 60, fails, _left_if_failed(gate, made, maker, value, shop))
        for gate, fails in risks
        if GATE_MINUTES[gate] / 60 * terms.hour_value <= at_stake
    )
    if straight and not any(first.gate == "crank" for first in firsts):
        made = _made(maker, value, unchecked)
    checked = replace(made, firsts=firsts)
    return checked if checked.gain > 0 else replace(made, acts=())


ENDS_IT = ("recall", "crank")
"""Safety checks that end a machine when they fail: no money is spent before they are passed."""


def _risks(lattice: Lattice, done: Done, unchecked: Sequence[str]) -> list[tuple[str, float]]:
    """Return the open checks that can end the machine, with the chance that they do.

    The crank is measured where something was struck or may have been; its chance is then that of the symptom's
    causes, or the share of machines taken in.
    """
    found = []
    for gate in ENDS_IT:
        if gate not in unchecked:
            continue
        fault = parse_finding(gate_catalogue()[gate].failed_means).fault
        if any(item.fault == fault for item in (*lattice.findings, *lattice.held)):
            continue
        chances = [_behind(item, fault, lattice, done) for item in lattice.findings]
        found.append((gate, max([share_of(fault, runs=False), *chances])))
    return found


def _left_if_failed(gate: str, made: Job, maker: "_Maker", value: Value, shop: Workshop) -> float:
    """Return the money left when a check fails: the machine with that finding, its own best list followed.

    Under a recall that is the maker's remedy and then the list as it is, or the scrap yard.
    """
    if gate == "recall":
        return _recalled(made)
    machine = maker.lattice.machine
    failed = machine.model_copy(update={"checks": {**machine.checks, gate: "failed"}})
    assert maker.model is not None  # noqa: S101  only acts are made without it
    (lattice,) = lattices([scene_of(failed, maker.terms)], maker.model, maker.terms)
    job = job_of(lattice, value, maker.model, maker.terms, shop, maker.done)
    return job.now + job.gain


def _recalled(made: Job) -> float:
    scrap = scrap_net(made.machine, made.terms)
    remedy = fix_catalogue()["recall_remedy"]
    odds, place = remedy.cures["recall_open"].odds.likely, made.shop.names.index(remedy.id)
    cost = (
        made.shop.parts[place] * made.terms.price_level + made.shop.together([place]) * made.terms.hour_value
    )
    after = totals(made.tree, made.came).left(made.terms.hour_value)
    return max(scrap, odds * after + (1 - odds) * scrap - float(cost))


def _behind(item: Finding, fault: str, lattice: Lattice, done: Done) -> float:
    """Return the chance that a fault is behind a symptom, after readings and looks."""
    symptom = symptom_for(item.fault) if item.chance >= 1 else None
    if symptom is None or item.fault in done.cured:
        return 0.0
    beliefs = posterior(symptom, lattice.machine.readings, _shown(symptom, done))
    return sum(p for name, p in beliefs.items() if symptom.causes[name].fault == fault)


def _shown(symptom: Symptom, done: Done) -> dict[str, str]:
    """Return what looks have shown about a symptom; another symptom's look of the same name may show other things."""
    known = {look.id: look.outcomes for look in looks(symptom)}
    return {name: shown for name, shown in done.seen.items() if shown in known.get(name, ())}


def _value_now(value: Value, price: float) -> Value:
    """Return the value at the price as it stands after work and looks, its range as wide as before."""
    if value.amount <= 0:
        return value
    moved = price / value.amount
    return value.model_copy(update={"amount": price, "low": value.low * moved, "high": value.high * moved})


def _made(maker: "_Maker", value: Value, unchecked: tuple[str, ...]) -> Job:
    troubles, stories, given_up = maker.troubles()
    hours = sum(GATE_MINUTES.get(gate, OTHER_MINUTES) for gate in unchecked) / 60
    ways = ways_out(maker.lattice, troubles, maker.terms, hours)
    return Job(
        lattice=maker.lattice,
        value=_value_now(value, float(ways.price[tuple(trouble.start for trouble in troubles)])),
        terms=maker.terms,
        shop=maker.shop,
        done=maker.done,
        troubles=troubles,
        stories=stories,
        acts=maker.acts(troubles),
        ways=ways,
        unchecked=unchecked,
        firsts=(),
        given_up=given_up,
    )


def open_checks(machine: Machine, terms: ShopTerms, done: Done) -> tuple[str, ...]:
    """Return the safety checks that must be passed before it is sold as working.

    Before that every fault that shuts a gate is cured, so that the check it failed is to be passed again.
    """
    found = (*machine.faults, *findings(machine, terms.blade_stop_limit_s))
    cured = done.cured | {item.fault for item in found if must_cure(item)}
    left = tuple(item for item in machine.faults if item.fault not in cured)
    verdict = safety_verdict(machine.model_copy(update={"faults": left}), terms.blade_stop_limit_s, cured)
    return verdict.unchecked


def _told(done: Done, machine: Machine) -> Done:
    """Return what work has done and looks have shown, those written in the machine's file among them."""
    return replace(done, seen={**machine.seen, **done.seen}) if machine.seen else done


def _own_shop(shop: Workshop, machine: Machine, terms: ShopTerms) -> Workshop:
    """Return the workshop at one's own prices and hours: of the shop, then of this machine."""
    parts = {**terms.own_parts, **machine.own_parts}
    return shop.at(
        {fix: price / terms.price_level for fix, price in parts.items()},
        {**terms.own_hours, **machine.own_hours},
    )


@dataclass(frozen=True, eq=False)
class _Maker:
    """Makes troubles and acts of one machine."""

    lattice: Lattice
    model: ValueModel | None
    terms: ShopTerms
    shop: Workshop
    done: Done
    crank_is_straight: bool = False
    places: int = MOST_PLACES

    @cached_property
    def gains(self) -> FloatArray:
        """The most that curing each finding can bring, whatever else is there, money, shape (k,)."""
        values = self.lattice.certain
        least = [
            float((np.take(values, 0, axis) - np.take(values, 1, axis)).max()) for axis in range(values.ndim)
        ]
        found: FloatArray = np.maximum(np.array(least), 0.0) * (1 - self.terms.fee_share)
        return found

    @cached_property
    def alone(self) -> FloatArray:
        """The least cost of each fix: parts and own hours, strip-down taken as shared, money."""
        return self.shop.parts * self.terms.price_level + self.shop.hours * self.terms.hour_value

    @cached_property
    def odds(self) -> FloatArray:
        """Odds of every fix on every finding, shape (k, n_fixes); for a symptom the best under any cause."""
        found = [odds_on(self.shop, item, self.lattice.machine.readings) for item in self.lattice.findings]
        table = np.array(found).reshape(len(found), len(self.shop.names))
        for axis, item in enumerate(self.lattice.findings):
            symptom = self.symptom(item)
            if symptom:
                table[axis] = self.cause_odds(symptom).max(axis=1)
        new = [place for place, name in enumerate(self.shop.names) if name in self.lattice.machine.new_parts]
        table[:, new] = 0.0
        return table

    def symptom(self, item: Finding) -> Symptom | None:
        """Return the symptom a finding is, where its cause may be unknown."""
        return symptom_for(item.fault) if item.chance >= 1 else None

    def cause_odds(self, symptom: Symptom) -> FloatArray:
        """Odds of every fix under every cause, shape (n_fixes, c), moved as own tries on the symptom moved them."""
        table = np.zeros((len(self.shop.names), len(symptom.causes)))
        for column, cause in enumerate(symptom.causes.values()):
            for fix, chance in cause.fixes.items():
                if fix in self.shop.names:
                    moved = self._moved(fix, symptom)
                    table[self.shop.names.index(fix), column] = min(0.99, chance.likely * moved)
        return table

    def _moved(self, fix: str, symptom: Symptom) -> float:
        usual = [
            fix_catalogue()[fix].cures[f].odds.likely
            for f in symptom.stands_for
            if f in fix_catalogue()[fix].cures
        ]
        own = [
            self.shop.fixes[fix].cures[f].odds.likely
            for f in symptom.stands_for
            if f in self.shop.fixes[fix].cures
        ]
        return own[0] / usual[0] if own and usual and usual[0] > 0 else 1.0

    @cached_property
    def useful(self) -> list[bool]:
        """Which fixes can pay at all: on all the faults they act on together, at the most that these bring."""
        brings = self.gains @ self.odds if len(self.gains) else np.zeros(len(self.shop.names))
        return [bool(gain > cost) for gain, cost in zip(brings, self.alone + self.terms.margin, strict=True)]

    def could(self, axis: int) -> list[str]:
        """The fixes that can work on a finding, whatever they cost."""
        return [name for place, name in enumerate(self.shop.names) if self.odds[axis, place] > 0]

    def fixes_on(self, axis: int) -> list[str]:
        """The fixes that can work on a finding and can pay."""
        names = enumerate(self.shop.names)
        return [name for place, name in names if self.odds[axis, place] > 0 and self.useful[place]]

    def troubles(self) -> tuple[tuple[Trouble, ...], dict[int, Story], tuple[str, ...]]:
        """Return the troubles, the stories of symptoms by place, and faults left out for want of room."""
        troubles: list[Trouble] = []
        stories: dict[int, Story] = {}
        rooms = self._rooms()
        for axis, item in enumerate(self.lattice.findings):
            trouble, told = self._trouble(axis, item, rooms.get(axis, 0))
            troubles.append(trouble)
            if told is not None:
                stories[axis] = told
        return self._fitted(troubles, stories)

    def _rooms(self) -> dict[int, int]:
        """Return how many places the story of each symptom may have, the dearest the most of them."""
        open_ = [a for a, item in enumerate(self.lattice.findings) if self.symptom(item) and self.fixes_on(a)]
        plain = np.prod(
            [
                2.0 + len(self.fixes_on(a))
                for a in range(len(self.gains))
                if a not in open_ and self.fixes_on(a)
            ]
        )
        room = np.log(max(MOST_STATES / float(plain), 10.0))
        weights = [1 / (place + 1) for place in range(len(open_))]
        ranked = sorted(open_, key=lambda axis: -float(self.gains[axis]))
        return {
            axis: min(self.places, max(6, _power(float(np.exp(room * weight / sum(weights))))))
            for axis, weight in zip(ranked, weights, strict=True)
        }

    def _trouble(self, axis: int, item: Finding, room: int) -> tuple[Trouble, Story | None]:
        failed, cured = self.done.failed.get(item.fault, frozenset()), item.fault in self.done.cured
        useful = self.fixes_on(axis)
        names = [*useful, *(name for name in self.could(axis) if name in failed and name not in useful)]
        symptom = self.symptom(item)
        if symptom is not None and (names or self.lattice.machine.causes.get(item.fault)):
            told = story(
                self._riddle(axis, item, symptom, names),
                self._seen(symptom),
                tuple(failed),
                cured=cured,
                most=room,
            )
            return told.trouble, told
        measured = self.done.seen.get(f"{AGAIN}_{item.fault}")
        if not useful and item.chance >= 1:
            return fixed_trouble(item, cured=cured), None
        odds = {name: float(self.odds[axis, self.shop.names.index(name)]) for name in names}
        trouble = plain_trouble(item, odds, failed, cured=cured or measured == "not there")
        if measured == "there" and not failed:
            trouble = replace(trouble, start=1)
        return trouble, None

    def _seen(self, symptom: Symptom) -> dict[str, str]:
        return _shown(symptom, self.done)

    def _riddle(self, axis: int, item: Finding, symptom: Symptom, names: Sequence[str]) -> Riddle:
        beliefs = self.prior_of(item, symptom)
        causes = tuple(beliefs)
        columns = [list(symptom.causes).index(cause) for cause in causes]
        places = [self.shop.names.index(name) for name in names]
        table = self.cause_odds(symptom)[np.ix_(places, columns)]
        told = [symptom.causes[cause].fault or cause for cause in causes]
        return Riddle(
            finding=item,
            causes=causes,
            prior=np.array(list(beliefs.values())),
            fixes=tuple(names),
            odds=table,
            costs=np.array(
                [
                    self._cost(self.shop.parts[p] * self.terms.price_level, self.shop.together([p]))
                    for p in places
                ]
            ),
            looks=self._looks(symptom, causes),
            prices=self._named_prices(item, [symptom.causes[cause] for cause in causes]),
            groups=np.array([told.index(name) for name in told]),
            gain=_rounded(float(self.gains[axis]), self.terms.price_level),
        )

    def prior_of(self, item: Finding, symptom: Symptom) -> dict[str, float]:
        """Return the chances of the causes that can be behind a finding, after what readings say."""
        readings = self.lattice.machine.readings
        known = self.lattice.machine.causes.get(item.fault)
        if known is not None:
            return {known: 1.0}
        beliefs = posterior(symptom, readings)
        straight = self.crank_is_straight or self.lattice.machine.checks.get("crank") == "passed"
        fits = {
            name: p
            for name, p in beliefs.items()
            if p > 0
            and not (straight and symptom.causes[name].fault == "bent_crank")
            and not (
                symptom.causes[name].fault in symptom.stands_for and symptom.causes[name].fault != item.fault
            )
        }
        total = sum(fits.values())
        return {name: p / total for name, p in fits.items()}

    def _cost(self, cash: float, hours: float) -> float:
        return cash + hours * self.terms.hour_value

    def _looks(self, symptom: Symptom, causes: Sequence[str]) -> tuple[LookAt, ...]:
        """Return the looks that can be taken on this machine and that readings have not answered."""
        every, found = {look.id: place for place, look in enumerate(looks(symptom))}, []
        for look in looks(symptom):
            if not self._can_look(look, symptom, causes):
                continue
            chance = np.array(
                [[likelihood(look, shown, cause) for cause in causes] for shown in look.outcomes]
            )
            found.append(
                LookAt(
                    name=look.id,
                    shows=tuple(look.outcomes),
                    cost=self._cost(look.parts * self.terms.price_level, look.hours),
                    chance=chance,
                    alike=every[look.same_as or look.id],
                )
            )
        return tuple(found)

    def _can_look(self, look: Look, symptom: Symptom, causes: Sequence[str]) -> bool:
        own = look.id.removeprefix("look_for_")
        if own != look.id and own in symptom.causes and (own not in causes or len(causes) == 1):
            return False
        dead = (
            any(item.fault == "no_start" for item in self.lattice.findings)
            and "no_start" not in self.done.cured
        )
        return answered(look, self.lattice.machine.readings) is None and not (look.running and dead)

    def _named_prices(self, item: Finding, causes: Sequence[Cause]) -> FloatArray:
        """Return the price with each cause named, over that with the cause unknown, everything else left in."""
        unknown = float(self.lattice.certain[(1,) * self.lattice.certain.ndim])
        others = {other.fault for other in self.lattice.findings if other is not item}
        faults = sorted(
            {c.fault for c in causes if c.fault and c.fault != item.fault and c.fault not in others}
        )
        assert self.model is not None  # noqa: S101  only acts are made without it
        column = self.model.fault_column(item.fault)
        rows = np.repeat(self.lattice.row[None], len(faults) + 1, axis=0)
        for place, fault in enumerate(faults):
            severities = fault_catalogue()[fault].severities
            severity = item.severity if item.severity in severities else severities[-1]
            rows[place, column] = 0.0
            rows[place, self.model.fault_column(fault)] = LEVEL[severity]
        worth = self.model.value(rows)
        most = worth_named(item.fault)
        share = {
            fault: min(most, float(price / max(worth[-1], 1e-9)))
            for fault, price in zip(faults, worth, strict=False)
        }
        return (
            np.array([share.get(c.fault or "", most if c.fault is None else 1.0) for c in causes])
            if unknown > 0
            else np.ones(len(causes))
        )

    def _fitted(
        self, troubles: list[Trouble], stories: dict[int, Story]
    ) -> tuple[tuple[Trouble, ...], dict[int, Story], tuple[str, ...]]:
        """Leave out work on the faults that bring least until all states can be settled."""
        given_up = []
        order = sorted(range(len(troubles)), key=lambda axis: float(self.gains[axis]))
        for axis in order:
            if np.prod([float(t.size) for t in troubles]) <= MOST_STATES:
                break
            item = troubles[axis].finding
            if troubles[axis].size > 1 and axis not in stories:
                cured = troubles[axis].start == 0
                troubles[axis] = fixed_trouble(item, cured=cured)
                given_up.append(item.fault)
        return tuple(troubles), stories, tuple(given_up)

    def acts(self, troubles: Sequence[Trouble]) -> tuple[Act, ...]:
        """Return every act, those first that are to come first among equals: looks, then what brings most."""
        on: dict[str, list[int]] = {}
        for axis, trouble in enumerate(troubles):
            for name in trouble.moves:
                on.setdefault(name, []).append(axis)
        fixes = [name for name in self.shop.names if name in on]
        looked = [name for name in on if name not in self.shop.names]
        ranked = sorted(
            fixes,
            key=lambda name: (-max(float(self.gains[a]) for a in on[name]), self.shop.names.index(name)),
        )
        single = [self._fix_act((name,), on) for name in ranked]
        return (
            *(self._look_act(name, on[name], troubles) for name in looked),
            *self._sessions(ranked, on),
            *single,
        )

    def _fix_act(self, names: tuple[str, ...], on: Mapping[str, Sequence[int]]) -> Act:
        places = [self.shop.names.index(name) for name in names]
        return Act(
            names=names,
            kind="fix",
            parts=float(self.shop.parts[places].sum()) * self.terms.price_level,
            hours=self.shop.together(places),
            on=tuple(tuple((axis, name) for axis in on[name]) for name in names),
        )

    def _look_act(self, name: str, axes: Sequence[int], troubles: Sequence[Trouble]) -> Act:
        if name.startswith(f"{AGAIN}_"):
            return Act((name,), "measure", 0.0, AGAIN_HOURS, (tuple((axis, name) for axis in axes),))
        symptom = symptom_for(troubles[axes[0]].finding.fault)
        assert symptom is not None  # noqa: S101  looks belong to symptoms
        look = next(look for look in looks(symptom) if look.id == name)
        return Act(
            (name,),
            "look",
            look.parts * self.terms.price_level,
            look.hours,
            (tuple((axis, name) for axis in axes),),
        )

    def _sessions(self, names: Sequence[str], on: Mapping[str, Sequence[int]]) -> list[Act]:
        """Return the sessions of two or three fixes on different faults that save strip-down, most saving first."""
        found = []
        for count in range(2, MOST_TOGETHER + 1):
            for some in combinations(names, count):
                places = [self.shop.names.index(name) for name in some]
                saved = sum(self.shop.together([p]) for p in places) - self.shop.together(places)
                apart = len({axis for name in some for axis in on[name]}) >= count
                if saved > SAME and apart and self._linked(places):
                    found.append((saved, some))
        found.sort(key=lambda pair: -pair[0])
        return [self._fix_act(some, on) for _, some in found[:MOST_SESSIONS]]

    def _linked(self, places: Sequence[int]) -> bool:
        """Say whether every fix shares strip-down with another one of them."""
        groups = self.shop.groups[list(places)]
        return all(any(int(a) & int(b) for j, b in enumerate(groups) if i != j) for i, a in enumerate(groups))


def _power(number: float) -> int:
    """Return the power of two below a number, so that stories of like room are shared."""
    return int(2 ** np.floor(np.log2(max(number, 1.0))))


def _rounded(gain: float, price_level: float) -> float:
    """Return a gain rounded up to a step of a quarter: the order of acts hangs on no more, and stories are shared.

    The steps are those of money at price level 1, so that another money decides the same.
    """
    return price_level * float(1.25 ** np.ceil(np.log(max(gain / price_level, 1.0)) / np.log(1.25)))


def odds_left(
    lattice: Lattice,
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop,
    done: Done,
    axis: int,
    fix: str,
) -> float:
    """Return the odds of a fix on a finding after what looks have shown and fixes have failed; 0 for no fix."""
    maker, item = _Maker(lattice, model, terms, shop, done), lattice.findings[axis]
    symptom, place = maker.symptom(item), shop.names.index(fix)
    tried = [shop.names.index(name) for name in done.failed.get(item.fault, ()) if name in shop.names]
    if symptom is None:
        odds = odds_on(shop, item, lattice.machine.readings)
        return after_failure(float(odds[place]), max((float(odds[other]) for other in tried), default=0.0))
    table, left = maker.cause_odds(symptom), 0.0
    beliefs, total = maker.prior_of(item, symptom), 0.0
    for cause, chance in beliefs.items():
        column = table[:, list(symptom.causes).index(cause)]
        failed = max((float(column[other]) for other in tried), default=0.0)
        total += chance * (1 - failed)
        left += chance * (1 - failed) * after_failure(float(column[place]), failed)
    return left / total if total > 0 else 0.0
