"""How a machine can leave, and what each way leaves over: working, for repair, for parts, scrap.

Selling costs the same hours whatever was cured, so they are charged once, at the price as it stands, and do
not distort the comparison of lists; they do count against breaking and scrapping, which need no viewing. Who
sells as working has first to pass the safety checks that are still open; their time is charged there.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.trouble import Trouble, along
from valuer.advice.work.workshop import BoolArray, IntArray
from valuer.advice.worth.documents import Route
from valuer.advice.worth.lattice import Lattice, is_barred, must_cure, scrap_value
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms, selling_cost
from valuer.domain.told_twice import stands_by

NOT_RUNNING = frozenset({"no_start"})
"""Faults with which a machine is sold for repair although nothing has to be cured."""


@dataclass(frozen=True, slots=True)
class UsedPart:
    """A part that sells by itself: dollars on the reference machine, and the serious faults that spoil it.

    ``fix`` is the fix for which another machine would take it.
    """

    name: str
    dollars: float
    spoiled_by: frozenset[str]
    fix: str | None = None


USED_PARTS = (
    UsedPart(
        "engine",
        45.0,
        frozenset(
            {
                "low_compression",
                "rod_knock",
                "bent_crank",
                "smoke_blue",
                "head_gasket_leak",
                "oil_leak_sump",
                "oil_leak_unknown",
                "no_start",
            }
        ),
        "used_engine",
    ),
    UsedPart("gearbox", 30.0, frozenset({"drive_none", "drive_creep", "drive_speed_stuck"}), "gearbox_used"),
    UsedPart("deck", 0.0, frozenset({"deck_rust_hole", "deck_crack", "deck_surface_rust"}), "deck_donor"),
    UsedPart("wheels", 23.0, frozenset({"wheel_wobble", "wheel_gear_worn"}), "wheels_new"),
    UsedPart("bag", 22.0, frozenset({"bag_missing"}), "bag_new"),
    UsedPart("rope starter", 12.0, frozenset({"recoil_rope", "starter_noise"}), "recoil_new"),
    UsedPart("blade", 5.0, frozenset({"blade_damaged"})),
)
"""Middle of the usual prices of used parts (common practice, no source)."""

ENGINES = {"side_valve": 0.6, "small_ohv": 0.8, "mid_ohv": 1.0, "large_ohv": 1.3, "overhead_cam": 1.4}
TIERS = {"budget": 0.75, "mid": 1.0, "premium": 1.35, "commercial": 1.8}
"""What a used engine, or another part, brings over that of the reference machine (judgement, no source). A part
is worth what it is itself, not what the chassis around it is worth."""

PARTS_SOLD = 0.5
"""Share of the parts' prices that comes in: some do not sell, some go cheap (.4 to .6; judgement, no source)."""

USUAL_AGE, FADING = 6.0, 12.0
"""Years at which the prices above hold, and over which they fall to a third: fewer machines want an old part
(judgement, no source)."""

STRIPPING_HOURS = 2.5
SHELF_WEEKS = 20.0
"""Stripping, photographing and posting; parts sell over three to six months (common practice, no source)."""

SCRAP_HOURS = 0.5 / 3.5
"""Half an hour to the yard, shared by three or four carcasses (common practice, no source)."""

ROUTES: tuple[Route, ...] = ("working", "for repair", "for parts", "scrap")
WORKING, FOR_REPAIR, FOR_PARTS, SCRAP = range(4)


@dataclass(frozen=True, eq=False)
class WaysOut:
    """Money left by each way out at every state, shape (4, *sizes); minus infinity where it is barred.

    ``price`` is the expected sale price of the whole machine, shape sizes.
    """

    money: FloatArray
    price: FloatArray

    @property
    def best(self) -> FloatArray:
        """Money left by the best way, shape sizes."""
        return np.asarray(self.money.max(axis=0))

    def likeliest(self, endings: Iterable[tuple[tuple[int, ...], float]]) -> int:
        """Return the likeliest way, place in `ROUTES`, over states with their chances; of equals the first met."""
        chances: dict[int, float] = {}
        for state, chance in endings:
            route = int(self.route[state])
            chances[route] = chances.get(route, 0.0) + chance
        return max(chances, key=lambda route: chances[route])

    @cached_property
    def route(self) -> IntArray:
        """The best way, place in `ROUTES`, shape sizes; of equals the first."""
        return np.asarray(self.money.argmax(axis=0))

    def after_checks(self, cost: float) -> "WaysOut":
        """Return the ways out where more safety checks, of some cost, come before a sale as working."""
        money = self.money.copy()
        money[WORKING] -= cost
        return WaysOut(money, self.price)


def ways_out(lattice: Lattice, troubles: Sequence[Trouble], terms: ShopTerms, check_hours: float) -> WaysOut:
    """Return the ways out at every state of a machine's troubles, one a finding of the lattice.

    ``check_hours`` is the time of the safety checks that are still open.
    """
    price = prices(lattice, troubles)
    sale = price * (1 - terms.fee_share) - flat_selling_cost(lattice.untold, terms)
    barred, for_repair = (_any(lattice, troubles, kind) for kind in (is_barred, _not_as_working))
    money = np.empty((len(ROUTES), *price.shape))
    money[WORKING] = np.where(for_repair | barred, -np.inf, sale - check_hours * terms.hour_value)
    money[FOR_REPAIR] = np.where(~for_repair | barred, -np.inf, sale)
    money[FOR_PARTS] = np.where(barred, -np.inf, _parts_net(lattice, troubles, terms))
    money[SCRAP] = scrap_net(lattice.machine, terms)
    return WaysOut(money, price)


def prices(lattice: Lattice, troubles: Sequence[Trouble]) -> FloatArray:
    """Return the expected sale price at every state: the lattice weighed by how far each trouble is there."""
    found = lattice.certain
    weighed = []
    for axis, trouble in enumerate(troubles):
        if (
            trouble.all_or_nothing
        ):  # picked, the same but quicker, and before a story's many places are laid out
            found = found.take(trouble.there.astype(np.intp), axis)
        else:
            weighed.append((axis, trouble))
    for axis, trouble in weighed:
        gone, there = np.split(found, 2, axis)
        share, factor = (along(each, axis, found.ndim) for each in (trouble.there, trouble.factor))
        if (factor != 1).any():
            there = np.minimum(there * factor, np.maximum(gone, there))
        found = gone * (1 - share) + there * share
    return found


def flat_selling_cost(price: float, terms: ShopTerms) -> float:
    """Return what a sale costs besides the fee's share of the price, money."""
    return selling_cost(terms, price) - terms.fee_share * price


def _not_as_working(item: Finding) -> bool:
    return must_cure(item) or item.fault in NOT_RUNNING


def _any(lattice: Lattice, troubles: Sequence[Trouble], kind: Callable[[Finding], bool]) -> BoolArray:
    """Say at which states a finding of a kind is surely there, in a shape that broadcasts over all of them.

    Of those without an axis the held are always, a symptom told twice while a cause of it is.
    """
    kept_up = {fault for item in lattice.twice if kind(item) for fault in stands_by(item, lattice.found)}
    left = np.full((1,) * len(troubles), any(kind(item) or item.fault in kept_up for item in lattice.held))
    for axis, trouble in enumerate(troubles):
        item = trouble.finding
        if kind(Finding(item.fault, item.severity)) or item.fault in kept_up:
            left = left | along(trouble.sure, axis, left.ndim)
    return left


def _parts_net(lattice: Lattice, troubles: Sequence[Trouble], terms: ShopTerms) -> FloatArray:
    """Return what its parts leave over at every state, in a shape that broadcasts over all of them."""
    gross = np.zeros((1,) * len(troubles))
    for part in USED_PARTS:
        if part.name == "gearbox" and lattice.machine.drive == "push":
            continue
        spoiled = _any(lattice, troubles, partial(spoils, part=part))
        gross = gross + part_price(part, lattice.machine, terms) * ~spoiled
    return gross * PARTS_SOLD - stripping_cost(terms)


def spoils(item: Finding, part: UsedPart) -> bool:
    """Say whether a part is not worth selling with a finding there."""
    return item.severity == "serious" and item.fault in part.spoiled_by


def parts_freed(item: Finding, lattice: Lattice, terms: ShopTerms) -> float:
    """Return the most that its parts bring more once a finding is cured, symptoms told twice with it, money."""
    gone = [item, *(each for each in lattice.twice if item.fault in stands_by(each, lattice.found))]
    spoiled = [part for part in USED_PARTS if any(spoils(each, part) for each in gone)]
    return PARTS_SOLD * sum(part_price(part, lattice.machine, terms) for part in spoiled)


def part_price(part: UsedPart, machine: Machine, terms: ShopTerms) -> float:
    """Return what a good part of the machine brings by itself, money."""
    scale = ENGINES.get(machine.engine_class or "", 1.0) if part.name == "engine" else 1.0
    age = USUAL_AGE if machine.age_years is None else machine.age_years
    faded = min(1.3, float(np.exp((USUAL_AGE - age) / FADING)))
    return part.dollars * scale * faded * TIERS.get(machine.tier or "", 1.0) * terms.price_level


def stripping_cost(terms: ShopTerms) -> float:
    """Return what breaking one machine for parts costs in own time and shelf, money."""
    return STRIPPING_HOURS * terms.hour_value + SHELF_WEEKS * terms.storage_per_week / 2


def scrap_net(machine: Machine, terms: ShopTerms) -> float:
    """Return what the scrap yard leaves over, money."""
    return scrap_value(machine, terms) - SCRAP_HOURS * terms.hour_value
