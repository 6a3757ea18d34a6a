"""One machine on the bench with all that a decision about it rests on: troubles, acts, ways out, and the tree."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.work.beliefs import MOST_PLACES, Story
from valuer.advice.work.board import Act, Board
from valuer.advice.work.done import NOTHING_DONE, Done
from valuer.advice.work.first_checks import GATE_MINUTES, First, check_hours, gain_with, risks
from valuer.advice.work.making import Making, acts_on
from valuer.advice.work.tree import STOP, Prices, Tree, settle
from valuer.advice.work.trouble import Trouble
from valuer.advice.work.ways_out import SCRAP, WORKING, WaysOut, flat_selling_cost, scrap_net, ways_out
from valuer.advice.work.workshop import Workshop, usual_workshop
from valuer.advice.worth.common import ranges
from valuer.advice.worth.documents import Value
from valuer.advice.worth.lattice import Lattice, lattices, must_cure, scene_of
from valuer.domain.findings import findings
from valuer.domain.fixes import fix_catalogue
from valuer.domain.machine import Finding, Machine
from valuer.domain.safety import safety_verdict
from valuer.domain.shop import ShopTerms
from valuer.domain.told_twice import gone_with


@dataclass(frozen=True, eq=False)
class Job:
    """A machine under decision. ``stories`` are those of its symptoms, by the trouble's place.

    ``firsts`` are the checks that come before any work; ``ways`` are the ways out once they are passed, and
    ``checks_now`` is what they cost, money, if it is sold as working without any work. ``unchecked`` are all that
    are still open.

    ``gains``, shape (k,), is the most that curing each finding brings, ``given_up`` the faults
    (places) left out of the decision for want of room. ``tree`` is settled under the terms, without their limits on
    hours and cash.
    """

    lattice: Lattice
    value: Value
    terms: ShopTerms
    shop: Workshop
    done: Done
    stories: Mapping[int, Story]
    gains: FloatArray
    ways: WaysOut
    checks_now: float
    unchecked: tuple[str, ...]
    firsts: tuple[First, ...]
    given_up: tuple[int, ...]
    tree: Tree

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.lattice.machine

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        """Its troubles, an axis of the states each."""
        return self.tree.troubles

    @property
    def acts(self) -> tuple[Act, ...]:
        """What can be done about them."""
        return self.tree.acts

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Its findings, one a trouble."""
        return tuple(trouble.finding for trouble in self.troubles)

    @property
    def selling(self) -> float:
        """The flat cost of a sale, which falls due whatever is cured."""
        return flat_selling_cost(self.lattice.untold, self.terms)

    def solved(self, rows: Sequence[tuple[Prices, frozenset[int]]]) -> list[Tree]:
        """Return the trees of several ways of counting, each without some acts."""
        return settle(self.tree.board, self.ways.best, rows)

    @property
    def at_stake(self) -> float:
        """Parts and own hours that following the tree may cost, money."""
        spent = self.tree.totals
        return spent.worst_cash + self.terms.hour_value * spent.worst_hours

    @property
    def gain(self) -> float:
        """Money gained by following the tree over leaving as it stands, the checks that come first counted."""
        if not self.works:
            return 0.0
        inner = self.tree.totals.left(self.terms.hour_value) - self.now
        return gain_with(self.firsts, self.terms.hour_value, self.now, inner)

    @property
    def leaves_by(self) -> int:
        """The likeliest way out if the tree is followed, its place in `ROUTES`."""
        return self.ways.likeliest(
            (visit.state, visit.chance) for visit in self.tree.came if visit.act is None
        )

    @property
    def idle(self) -> "Job":
        """The job if nothing is done about it: every check falls due at a sale as working."""
        if not self.acts and not self.firsts and not self.checks_now:
            return self
        ways = self.ways.after_checks(self.checks_now)
        tree = settled(Board(self.troubles, ()), ways, self.terms)
        return replace(self, firsts=(), ways=ways, checks_now=0.0, tree=tree)

    def with_trouble(self, axis: int, trouble: Trouble) -> "Job":
        """Return the job with another story of one trouble."""
        troubles = (*self.troubles[:axis], trouble, *self.troubles[axis + 1 :])
        ways = ways_out(self.lattice, troubles, self.terms, self.checks_left)
        board = Board(troubles, acts_on(troubles, self.shop, self.terms, self.gains))
        return replace(self, ways=ways, tree=settled(board, ways, self.terms))

    @property
    def now(self) -> float:
        """Money left from leaving as it stands."""
        return float(self.today.max())

    @property
    def today(self) -> FloatArray:
        """Money left from leaving as it stands by each way, shape (4,); minus infinity where it is barred."""
        left = np.array([money[self.tree.start] for money in self.ways.money])
        left[WORKING] -= self.checks_now
        return left

    @property
    def works(self) -> bool:
        """Whether there is anything to do."""
        return bool(self.acts) and self.tree.choice(self.tree.start) != STOP

    @property
    def checks_left(self) -> float:
        """Hours of the safety checks before a sale as working, those that come first done."""
        proved = {first.gate for first in self.firsts}
        return check_hours(gate for gate in self.unchecked if gate not in proved)


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
    return tuple(each_job(machines, model, terms, shop, done))


def each_job(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop | None = None,
    done: Mapping[str, Done] | None = None,
) -> Iterator[Job]:
    """The jobs of `jobs` one by one, for who keeps none: the states of many fill the memory."""
    known = done or {}
    every = lattices([scene_of(machine, terms) for machine in machines], model, terms)
    for lattice, value in zip(every, ranges(every, model, terms), strict=True):
        yield job_of(lattice, value, model, terms, shop or usual_workshop(), known.get(lattice.machine.id))


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
    maker = Making(lattice, model, terms, own, done, places=places)
    maker, out = _with_room(maker, value)
    ending = risks(lattice, done, unchecked)
    made = _proved(maker, out, value, unchecked, [gate for gate, _ in ending])
    at_stake = made.at_stake if ending else 0.0
    worth_it = [(gate, p) for gate, p in ending if GATE_MINUTES[gate] / 60 * terms.hour_value <= at_stake]
    if made.works and len(worth_it) < len(ending):
        del made  # before another is laid out: the largest boards fill a hundred megabytes
        made = _proved(maker, out, value, unchecked, [gate for gate, _ in worth_it])
    firsts: list[First] = []
    for gate, fails in worth_it if made.works else ():
        checks = {**dict.fromkeys((first.gate for first in firsts), "passed"), gate: "failed"}
        firsts.append(
            First(gate, GATE_MINUTES[gate] / 60, fails, *_left_if_failed(checks, made, maker, value, shop))
        )
    checked = replace(made, firsts=tuple(firsts))
    if checked.gain > 0:
        return checked
    return made.idle


def _proved(
    maker: Making, out: Collection[int], value: Value, unchecked: tuple[str, ...], proved: Sequence[str]
) -> Job:
    """Return the job as it is once some checks are passed; left as it stands they would have to be done, too."""
    left = tuple(gate for gate in unchecked if gate not in proved)
    straight = "crank" in proved
    if straight != maker.crank_is_straight:
        maker = replace(maker, crank_is_straight=straight)
    made = _made_without(out, maker, value, left)
    return replace(made, unchecked=unchecked, checks_now=check_hours(proved) * maker.terms.hour_value)


def _left_if_failed(
    checks: Mapping[str, str], made: Job, maker: Making, value: Value, shop: Workshop
) -> tuple[float, int]:
    """Return the money left when the last of some checks fails, and the likeliest way out then.

    That is its own best list followed; under a recall the maker's remedy and then the list as it is, or the yard.
    """
    if checks.get("recall") == "failed":
        return _recalled(made)
    machine = maker.lattice.machine
    failed = machine.model_copy(update={"checks": {**machine.checks, **checks}})
    (lattice,) = lattices([scene_of(failed, maker.terms)], maker.model, maker.terms)
    job = job_of(lattice, value, maker.model, maker.terms, shop, maker.done)
    return job.now + job.gain, job.leaves_by


def _recalled(made: Job) -> tuple[float, int]:
    scrap = scrap_net(made.machine, made.terms)
    remedy = fix_catalogue()["recall_remedy"]
    odds, place = remedy.cures["recall_open"].odds.likely, made.shop.names.index(remedy.id)
    cost = (
        made.shop.parts[place] * made.terms.price_level + made.shop.together([place]) * made.terms.hour_value
    )
    after = made.tree.totals.left(made.terms.hour_value)
    remedied = float(odds * after + (1 - odds) * scrap - cost)
    return (remedied, made.leaves_by) if remedied > scrap else (scrap, SCRAP)


def _value_now(value: Value, price: float) -> Value:
    """Return the value at the price as it stands after work and looks, its range as wide as before."""
    if value.amount <= 0:
        return value
    moved = price / value.amount
    return value.model_copy(update={"amount": price, "low": value.low * moved, "high": value.high * moved})


def _with_room(maker: Making, value: Value) -> tuple[Making, frozenset[int]]:
    """Return the best way to make room where it is scarce: the maker, and what is left out of the decision.

    They are weighed as if nothing had been done yet and no check been made, so that lists go on as they were told.
    """
    ways = maker.ways_to_make_room()
    if len(ways) == 1:
        return ways[0]
    unchecked = open_checks(maker.lattice.machine, maker.terms, NOTHING_DONE)

    def at_first(way: tuple[Making, frozenset[int]]) -> float:
        maker = way[0] if way[0].done == NOTHING_DONE else replace(way[0], done=NOTHING_DONE)
        job = _made_without(way[1], maker, value, unchecked)
        return round(float(job.tree.value[job.tree.start]), 6)

    return max(ways, key=at_first)


def _made_without(out: Collection[int], maker: Making, value: Value, unchecked: tuple[str, ...]) -> Job:
    laid = maker.laid(out)
    ways = laid.ways.after_checks(check_hours(unchecked) * maker.terms.hour_value)
    return Job(
        lattice=maker.lattice,
        value=_value_now(value, float(ways.price[tuple(trouble.start for trouble in laid.board.troubles)])),
        terms=maker.terms,
        shop=maker.shop,
        done=maker.done,
        stories=laid.stories,
        gains=maker.gains,
        ways=ways,
        checks_now=0.0,
        unchecked=unchecked,
        firsts=(),
        given_up=laid.given_up,
        tree=settled(laid.board, ways, maker.terms),
    )


def settled(board: Board, ways: WaysOut, terms: ShopTerms) -> Tree:
    """Return the tree on a board under the terms, no limits on hours and cash."""
    prices = Prices(terms.hour_value, 1.0, terms.margin)
    return settle(board, ways.best, [(prices, frozenset())])[0]


def open_checks(machine: Machine, terms: ShopTerms, done: Done) -> tuple[str, ...]:
    """Return the safety checks that must be passed before it is sold as working.

    Before that every fault that shuts a gate is cured, so that the check it failed is to be passed again.
    """
    found = (*machine.faults, *findings(machine, terms.blade_stop_limit_s))
    cured = gone_with(found, done.cured | {item.fault for item in found if must_cure(item)})
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
