"""Making a job: what each fault of a machine can come to, and every act that can be done about it."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import combinations

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.work.beliefs import MOST_PLACES, LookAt, Riddle, Story, story
from valuer.advice.work.board import Act, Board
from valuer.advice.work.done import Done
from valuer.advice.work.tree import SAME
from valuer.advice.work.trouble import (
    AGAIN,
    GONE,
    Trouble,
    after_failure,
    along,
    fixed_trouble,
    plain_trouble,
)
from valuer.advice.work.ways_out import WaysOut, parts_freed, ways_out
from valuer.advice.work.workshop import BoolArray, IntArray, Workshop, odds_on
from valuer.advice.worth.lattice import Lattice
from valuer.advice.worth.named import Named, causes_of, named_prices, open_symptom, posterior_of, shown_about
from valuer.domain.fixes import Fix, fix_catalogue
from valuer.domain.machine import Finding
from valuer.domain.shop import ShopTerms
from valuer.domain.symptoms import (
    Look,
    Symptom,
    answered,
    likelihood,
    looks,
    symptom_catalogue,
    symptom_for,
)

MOST_STATES = 60_000
"""States of one machine that are settled exactly; where there are more, the least of its faults are left out."""

ROOMY = 128
"""Places of the dearest symptom's story below which it is tried whether leaving out lesser faults is better."""

LEAST_ROOM = 6
"""Places a symptom's story may have however little room there is, or however little there is to do about it."""

MOST_TOGETHER, MOST_SESSIONS = 3, 24
"""Fixes that are weighed as one session because they share strip-down, and such sessions of one machine."""

DEAD = "no_start"
"""The fault with which nothing can be looked at that shows only on a running engine."""

AGAIN_HOURS = 10 / 60
"""Hours to take a doubtful reading again (judgement, no source)."""


@dataclass(frozen=True, eq=False)
class Making:
    """Makes troubles and acts of one machine.

    ``later_looks``: looks that need a running engine are followed on one that does not start, after it does; they
    take room from those that can be taken at once.
    """

    lattice: Lattice
    model: ValueModel
    terms: ShopTerms
    shop: Workshop
    done: Done
    crank_is_straight: bool = False
    places: int = MOST_PLACES
    later_looks: bool = True

    @cached_property
    def _asked(self) -> dict[int, tuple[Symptom, dict[str, float]]]:
        """The symptoms by the finding's place, with the beliefs before anything but readings is known.

        A cause known for sure is among them, at least at 0.
        """
        machine, found = self.lattice.machine, {}
        for axis, item in enumerate(self.lattice.findings):
            symptom = open_symptom(item)
            if symptom is not None:
                beliefs = dict(causes_of(item, symptom, machine, straight=self.crank_is_straight))
                known = machine.causes.get(item.fault)
                found[axis] = symptom, beliefs if known is None else {known: 0.0, **beliefs}
        return found

    @cached_property
    def named(self) -> dict[int, Named]:
        """The prices of each symptom by its cause, by the finding's place."""
        instead = self.lattice.instead
        return {
            axis: named_prices(symptom, before, instead.get(axis, {}))
            for axis, (symptom, before) in self._asked.items()
        }

    @cached_property
    def gains(self) -> FloatArray:
        """The most that curing each finding can bring, whatever else is there, money, shape (k,).

        A symptom whose cause is named may stand lower than with it unknown, and then a cure brings more.
        """
        values, k = self.lattice.certain, self.lattice.certain.ndim
        spans = [self.named[axis].span if axis in self.named else (1.0, 1.0) for axis in range(k)]
        most = np.zeros(k)
        for axis, (low, _) in enumerate(spans):
            rises = np.take(values, [0], axis) - np.take(values, [1], axis) * low / self.lattice.told[axis]
            for other, (_, high) in enumerate(spans):  # a named cause beside it may lift all that is cured
                if other != axis and high > 1:
                    rises = rises * along(np.array([1.0, high]), other, k)
            rise = float(rises.max())
            freed = parts_freed(self.lattice.findings[axis], self.lattice, self.terms)
            most[axis] = max(rise * (1 - self.terms.fee_share), freed, 0.0)
        return most

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
            symptom = open_symptom(item)
            if symptom:
                table[axis] = cause_odds(self.shop, symptom.id).max(axis=1)
        new = [place for place, name in enumerate(self.shop.names) if name in self.lattice.machine.new_parts]
        table[:, new] = 0.0
        return table

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
        return self._paying[axis]

    @cached_property
    def _paying(self) -> list[list[str]]:
        """The same by finding: it is asked for again and again."""
        able = (self.odds > 0) & np.array(self.useful)
        return [[self.shop.names[place] for place in np.flatnonzero(row)] for row in able]

    def left_out(self) -> list[frozenset[int]]:
        """Return what may be left out of the decision for want of room: nothing, or the faults that bring least.

        So many of them that the dearest symptom's story has room; which is better is settled by deciding twice.
        """
        found = [frozenset[int]()]
        dearest = max(self._open, key=lambda axis: float(self.gains[axis]), default=None)
        if dearest is None:
            return found
        out: set[int] = set()
        for axis in sorted(range(len(self.gains)), key=lambda axis: float(self.gains[axis])):
            if self._rooms(out)[dearest] >= min(self.places, ROOMY):
                break
            if axis not in self._open and self.fixes_on(axis):
                out.add(axis)
        return [*found, frozenset(out)] if out else found

    def laid(self, out: Collection[int] = ()) -> "Laid":
        """Return all that the decision goes over, some faults (places) left out; each laid out once."""
        key = frozenset(out)
        if key not in self._laid:
            troubles, stories, given_up = self.troubles(out)
            board = Board(troubles, acts_on(troubles, self.shop, self.terms, self.gains))
            ways = ways_out(self.lattice, troubles, self.terms, 0.0)
            self._laid[key] = Laid(board, ways, stories, given_up)
        return self._laid[key]

    @cached_property
    def _laid(self) -> dict[frozenset[int], "Laid"]:
        """What was laid out so far: a machine is decided for more than one set of checks that are passed."""
        return {}

    def troubles(
        self, out: Collection[int] = ()
    ) -> tuple[tuple[Trouble, ...], dict[int, Story], tuple[int, ...]]:
        """Return the troubles, the stories of symptoms by place, and the faults (places) left out for want of room."""
        troubles: list[Trouble] = []
        stories: dict[int, Story] = {}
        rooms = self._rooms(out)
        for axis, item in enumerate(self.lattice.findings):
            trouble, told = self._trouble(axis, item, rooms.get(axis, LEAST_ROOM))
            troubles.append(_left(trouble) if axis in out else trouble)
            if told is not None:
                stories[axis] = told
        return self._fitted(troubles, stories, out)

    @cached_property
    def _open(self) -> list[int]:
        """The places of symptoms about which something can be done."""
        return [a for a, item in enumerate(self.lattice.findings) if open_symptom(item) and self.fixes_on(a)]

    def _rooms(self, out: Collection[int]) -> dict[int, int]:
        """Return how many places the story of each symptom may have, the dearest the most of them."""
        axes = (a for a in range(len(self.gains)) if a not in self._open and a not in out)
        plain = np.prod([2.0 + len(self.fixes_on(a)) for a in axes if self.fixes_on(a)])
        room = np.log(max(MOST_STATES / float(plain), 10.0))
        weights = [1 / (place + 1) for place in range(len(self._open))]
        ranked = sorted(self._open, key=lambda axis: -float(self.gains[axis]))
        return {
            axis: min(self.places, max(LEAST_ROOM, _power(float(np.exp(room * weight / sum(weights))))))
            for axis, weight in zip(ranked, weights, strict=True)
        }

    def _trouble(self, axis: int, item: Finding, room: int) -> tuple[Trouble, Story | None]:
        failed, cured = self.done.failed.get(item.fault, frozenset()), item.fault in self.done.cured
        useful = self.fixes_on(axis)
        tried = self.could(axis) if failed else []
        names = [*useful, *(name for name in tried if name in failed and name not in useful)]
        symptom = open_symptom(item)
        if symptom is not None and (names or self.lattice.machine.causes.get(item.fault)):
            told = story(
                self._riddle(axis, item, symptom, names),
                shown_about(item, symptom, self.done.seen, self.lattice.machine.readings),
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

    def _riddle(self, axis: int, item: Finding, symptom: Symptom, names: Sequence[str]) -> Riddle:
        beliefs = self.prior_of(axis)
        causes = tuple(beliefs)
        columns = [list(symptom.causes).index(cause) for cause in causes]
        places = [self.shop.names.index(name) for name in names]
        table = cause_odds(self.shop, symptom.id)[np.ix_(places, columns)]
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
            named=self.named[axis].only([list(self._asked[axis][-1]).index(cause) for cause in causes]),
            told=self.lattice.told[axis],
            gain=_rounded(float(self.gains[axis]), self.terms.price_level),
        )

    def prior_of(self, axis: int) -> dict[str, float]:
        """Return the chances of the causes that can be behind a symptom, after what readings say."""
        known = self.lattice.machine.causes.get(self.lattice.findings[axis].fault)
        return {known: 1.0} if known is not None else self._asked[axis][-1]

    def _cost(self, cash: float, hours: float) -> float:
        return cash + hours * self.terms.hour_value

    def _looks(self, symptom: Symptom, causes: Sequence[str]) -> tuple[LookAt, ...]:
        """Return the looks that can be taken on this machine and that readings have not answered."""
        every, found = {look.id: place for place, look in enumerate(looks(symptom))}, []
        for look in looks(symptom):
            if not self._can_look(look, symptom, causes):
                continue
            found.append(
                LookAt(
                    name=look.id,
                    shows=tuple(look.outcomes),
                    cost=self._cost(look.parts * self.terms.price_level, look.hours),
                    chance=_chances(symptom.id, look.id, tuple(causes)),
                    alike=every[look.same_as or look.id],
                )
            )
        return tuple(found)

    def _can_look(self, look: Look, symptom: Symptom, causes: Sequence[str]) -> bool:
        own = look.id.removeprefix("look_for_")
        if own != look.id and own in symptom.causes and (own not in causes or len(causes) == 1):
            return False
        waits = look.running and self.dead
        if waits and (not self.later_looks or DEAD in symptom.stands_for):
            return False
        return answered(look, self.lattice.machine.readings) is None

    @property
    def dead(self) -> bool:
        """Whether it was found not to start: looks at a running engine come after that, if at all."""
        return any(item.fault == DEAD for item in self.lattice.findings)

    def ways_to_make_room(self) -> list[tuple["Making", frozenset[int]]]:
        """Return the ways to make room, each with what is left out; which is best is settled by deciding each."""
        symptoms = [open_symptom(self.lattice.findings[axis]) for axis in self._open]
        waiting = self.dead and any(
            look.running for each in symptoms if each and DEAD not in each.stands_for for look in looks(each)
        )
        makers = [self, replace(self, later_looks=False)] if waiting else [self]
        return [(maker, out) for maker in makers for out in maker.left_out()]

    def _fitted(
        self, troubles: list[Trouble], stories: dict[int, Story], out: Collection[int]
    ) -> tuple[tuple[Trouble, ...], dict[int, Story], tuple[int, ...]]:
        """Leave out work on the faults that bring least until all states can be settled."""
        given_up = list(out)
        order = sorted(range(len(troubles)), key=lambda axis: float(self.gains[axis]))
        for axis in order:
            if np.prod([float(t.size) for t in troubles]) <= MOST_STATES:
                break
            if troubles[axis].size > 1 and axis not in stories:
                troubles[axis] = _left(troubles[axis])
                given_up.append(axis)
        return tuple(troubles), stories, tuple(given_up)


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """The board of one machine, its ways out with no check before a sale, its symptoms' stories by place.

    ``given_up`` are the faults (places) left out for want of room.
    """

    board: Board
    ways: WaysOut
    stories: Mapping[int, Story]
    given_up: tuple[int, ...]


@lru_cache(maxsize=256)
def cause_odds(shop: Workshop, symptom: str) -> FloatArray:
    """Odds of every fix under every cause, shape (n_fixes, c), moved as own tries on the symptom moved them."""
    stands_for, causes = symptom_catalogue()[symptom].stands_for, symptom_catalogue()[symptom].causes
    table = np.zeros((len(shop.names), len(causes)))
    for column, cause in enumerate(causes.values()):
        for fix, chance in cause.fixes.items():
            if fix in shop.names:
                moved = min(0.99, chance.likely * _moved(shop.fixes[fix], stands_for))
                table[shop.names.index(fix), column] = moved
    table.flags.writeable = False
    return table


def _moved(fix: Fix, faults: Sequence[str]) -> float:
    """Return how own tries moved the odds of a fix on the first of some faults it cures."""
    known = fix_catalogue()[fix.id].cures
    usual = [known[fault].odds.likely for fault in faults if fault in known]
    own = [fix.cures[fault].odds.likely for fault in faults if fault in fix.cures]
    return own[0] / usual[0] if own and usual and usual[0] > 0 else 1.0


@lru_cache(maxsize=1024)
def _chances(symptom: str, look: str, causes: tuple[str, ...]) -> FloatArray:
    """Return the chance of each result of a look under each of some causes, shape (m, c)."""
    (seen,) = (each for each in looks(symptom_catalogue()[symptom]) if each.id == look)
    chance = np.array([[likelihood(seen, shown, cause) for cause in causes] for shown in seen.outcomes])
    chance.flags.writeable = False
    return chance


def _left(trouble: Trouble) -> Trouble:
    """Return a trouble with nothing done about it, where it stands."""
    return fixed_trouble(trouble.finding, cured=trouble.start == GONE and trouble.size > 1)


def acts_on(
    troubles: Sequence[Trouble], shop: Workshop, terms: ShopTerms, gains: FloatArray
) -> tuple[Act, ...]:
    """Return every act, those first that are to come first among equals: looks, then what brings most.

    ``gains``, shape (k,), is the most that curing each trouble brings, money.
    """
    on: dict[str, list[int]] = {}
    for axis, trouble in enumerate(troubles):
        for name in trouble.moves:
            on.setdefault(name, []).append(axis)
    fixes = [name for name in shop.names if name in on]
    looked = [name for name in on if name not in shop.names]
    ranked = sorted(fixes, key=lambda name: (-max(float(gains[a]) for a in on[name]), shop.names.index(name)))
    sessions = [_fix_act(names, on, shop, terms) for names in _sessions(ranked, on, shop)]
    single = [_fix_act((name,), on, shop, terms) for name in ranked]
    seen = [act for name in looked if (act := _look_act(name, on[name], troubles, terms)) is not None]
    return (*seen, *sessions, *single)


def _fix_act(
    names: tuple[str, ...], on: Mapping[str, Sequence[int]], shop: Workshop, terms: ShopTerms
) -> Act:
    places = [shop.names.index(name) for name in names]
    return Act(
        names=names,
        kind="fix",
        parts=float(shop.parts[places].sum()) * terms.price_level,
        hours=shop.together(places),
        on=tuple(tuple((axis, name) for axis in on[name]) for name in names),
    )


def _look_act(name: str, axes: Sequence[int], troubles: Sequence[Trouble], terms: ShopTerms) -> Act | None:
    """Return a look; one that needs a running engine comes after that starts, None where nothing makes it start."""
    touches = (tuple((axis, name) for axis in axes),)
    if name.startswith(f"{AGAIN}_"):
        return Act((name,), "measure", 0.0, AGAIN_HOURS, touches)
    symptom = symptom_for(troubles[axes[0]].finding.fault)
    assert symptom is not None  # noqa: S101  looks belong to symptoms
    look = next(look for look in looks(symptom) if look.id == name)
    stands_still = {axis: trouble for axis, trouble in enumerate(troubles) if trouble.finding.fault == DEAD}
    dead = stands_still if look.running else {}
    if any(trouble.size == 1 and trouble.there[0] > 0 for trouble in dead.values()):
        return None
    after = tuple(axis for axis, trouble in dead.items() if trouble.size > 1)
    return Act((name,), "look", look.parts * terms.price_level, look.hours, touches, after)


def _sessions(names: Sequence[str], on: Mapping[str, Sequence[int]], shop: Workshop) -> list[tuple[str, ...]]:
    """Return the sessions of two or three fixes on different faults that save strip-down, most saving first."""
    places = np.array([shop.names.index(name) for name in names], dtype=np.int64)
    touched = np.array([sum(1 << axis for axis in on[name]) for name in names], dtype=np.int64)
    found = []
    for count in range(2, min(MOST_TOGETHER, len(names)) + 1):
        some = _choices(len(names), count)
        saved = _saved(places[some], shop)
        apart = np.bitwise_count(np.bitwise_or.reduce(touched[some], axis=1)) >= count
        good = np.flatnonzero((saved > SAME) & apart & _linked(shop.groups[places[some]]))
        found += [(saved[place], tuple(names[at] for at in some[place])) for place in good.tolist()]
    found.sort(key=lambda pair: -pair[0])
    return [some for _, some in found[:MOST_SESSIONS]]


@lru_cache(maxsize=32)
def _choices(among: int, count: int) -> IntArray:
    """Return every choice of ``count`` of so many things, their places, shape (n, count)."""
    return np.array(list(combinations(range(among), count)), dtype=np.int64).reshape(-1, count)


def _saved(places: IntArray, shop: Workshop) -> FloatArray:
    """Return the hours that sessions save over their fixes one by one, places of shape (n, count); shape (n,)."""
    apart, at_work, opened = (np.zeros(len(places)), np.zeros(len(places)), np.zeros(len(places), np.int64))
    for fix in places.T:
        apart = apart + (shop.hours[fix] + shop.group_hours[shop.groups[fix]])
        at_work, opened = at_work + shop.hours[fix], opened | shop.groups[fix]
    return np.asarray(apart - (at_work + shop.group_hours[opened]))


def _linked(groups: IntArray) -> BoolArray:
    """Say whether every fix shares strip-down with another one of its session; groups of shape (n, count)."""
    each = range(groups.shape[1])
    linked = np.ones(len(groups), dtype=bool)
    for one in each:
        linked &= np.any([groups[:, one] & groups[:, other] for other in each if other != one], axis=0)
    return linked


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
    maker, item = Making(lattice, model, terms, shop, done), lattice.findings[axis]
    symptom, place = open_symptom(item), shop.names.index(fix)
    tried = [shop.names.index(name) for name in done.failed.get(item.fault, ()) if name in shop.names]
    if symptom is None:
        odds = odds_on(shop, item, lattice.machine.readings)
        return after_failure(float(odds[place]), max((float(odds[other]) for other in tried), default=0.0))
    table, left = cause_odds(shop, symptom.id), 0.0
    shown = shown_about(item, symptom, done.seen, lattice.machine.readings)
    beliefs, total = posterior_of(symptom, maker.prior_of(axis), shown), 0.0
    for cause, chance in beliefs.items():
        column = table[:, list(symptom.causes).index(cause)]
        failed = max((float(column[other]) for other in tried), default=0.0)
        total += chance * (1 - failed)
        left += chance * (1 - failed) * after_failure(float(column[place]), failed)
    return left / total
