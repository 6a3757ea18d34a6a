"""How a machine can leave, and what each way leaves over: working, for repair, for parts, scrap.

Selling costs the same hours whatever was cured, so they are charged once, at the price as it stands, and do
not distort the comparison of plans; they do count against breaking and scrapping, which need no viewing.
"""

from dataclasses import dataclass

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.policies import BoolArray, IntArray
from valuer.advice.worth.documents import Route
from valuer.advice.worth.lattice import Lattice, is_barred, scrap_value
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding
from valuer.domain.shop import ShopTerms, selling_cost

NOT_RUNNING = frozenset({"no_start"})
"""Faults with which a machine is sold for repair although nothing has to be cured."""


@dataclass(frozen=True, slots=True)
class UsedPart:
    """A part that sells by itself: dollars on the reference machine, and the serious faults that spoil it."""

    name: str
    dollars: float
    spoiled_by: frozenset[str]


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
    ),
    UsedPart("gearbox", 30.0, frozenset({"drive_none", "drive_creep", "drive_speed_stuck"})),
    UsedPart("wheels", 23.0, frozenset({"wheel_wobble", "wheel_gear_worn"})),
    UsedPart("bag", 22.0, frozenset({"bag_missing"})),
    UsedPart("rope starter", 12.0, frozenset({"recoil_rope", "starter_noise"})),
    UsedPart("blade", 5.0, frozenset({"blade_damaged"})),
)
"""Middle of the usual prices of used parts (common practice, no source)."""

REFERENCE_VALUE = 190.0
"""Sound price of the reference machine the used-part prices belong to (common practice, no source)."""

PARTS_SOLD = 0.6
"""Share of the parts' prices that comes in: some do not sell, some go cheap (judgement, no source)."""

STRIPPING_HOURS = 2.5
SHELF_WEEKS = 20.0
"""Stripping, photographing and posting; parts sell over three to six months (common practice, no source)."""

SCRAP_HOURS = 0.5 / 3.5
"""Half an hour to the yard, shared by three or four carcasses (common practice, no source)."""

ROUTES: tuple[Route, ...] = ("working", "for repair", "for parts", "scrap")


@dataclass(frozen=True, slots=True, eq=False)
class Leaving:
    """Money left from the best way to leave, and which way that is (place in `ROUTES`), both (2,)*k."""

    proceeds: FloatArray
    route: IntArray


def leaving(lattice: Lattice, terms: ShopTerms) -> Leaving:
    """Return, for each subset of faults left in, the best way out and the money it leaves over."""
    sale = lattice.values * (1 - terms.fee_share) - flat_selling_cost(lattice.now, terms)
    blocked = _any_left(lattice, [item for item in lattice.findings if is_barred(item)])
    parts = np.where(blocked, -np.inf, _parts_net(lattice, terms))
    ways = np.stack([np.where(blocked, -np.inf, sale), parts, np.full_like(sale, scrap_net(lattice, terms))])
    best = ways.argmax(axis=0)
    for_repair = _any_left(lattice, [item for item in lattice.findings if _not_as_working(item)])
    return Leaving(ways.max(axis=0), np.where(best == 0, for_repair.astype(int), best + 1))


def flat_selling_cost(price: float, terms: ShopTerms) -> float:
    """Return what a sale costs besides the fee's share of the price, money."""
    return selling_cost(terms, price) - terms.fee_share * price


def must_cure(item: Finding) -> bool:
    """Say whether the machine may not be sold as working with this finding.

    A finding in doubt does not shut the gate but leaves it unchecked: the reading has to be taken again.
    """
    return item.chance >= 1 and fault_catalogue()[item.fault].must_be_cured(item.severity)


def _not_as_working(item: Finding) -> bool:
    return must_cure(item) or item.fault in NOT_RUNNING


def _any_left(lattice: Lattice, items: list[Finding]) -> BoolArray:
    """Say, for each subset, whether one of the findings is left in."""
    left = np.full(lattice.values.shape, any(item in lattice.held for item in items))
    for item in items:
        if item in lattice.findings:
            left[(slice(None),) * lattice.findings.index(item) + (1,)] = True
    return left


def _parts_net(lattice: Lattice, terms: ShopTerms) -> FloatArray:
    gross = np.zeros(lattice.values.shape)
    serious = [item for item in lattice.findings if item.severity == "serious" and item.chance >= 1]
    for part in USED_PARTS:
        if part.name == "gearbox" and lattice.machine.drive == "push":
            continue
        if any(item.fault in part.spoiled_by for item in lattice.held):
            continue
        spoiling = [item for item in serious if item.fault in part.spoiled_by]
        gross += part.dollars * ~_any_left(lattice, spoiling)
    scale = lattice.sound / REFERENCE_VALUE
    return gross * PARTS_SOLD * scale - stripping_cost(terms)


def stripping_cost(terms: ShopTerms) -> float:
    """Return what breaking one machine for parts costs in own time and shelf, money."""
    return STRIPPING_HOURS * terms.hour_value + SHELF_WEEKS * terms.storage_per_week / 2


def scrap_net(lattice: Lattice, terms: ShopTerms) -> float:
    """Return what the scrap yard leaves over, money."""
    return scrap_price(lattice, terms) - SCRAP_HOURS * terms.hour_value


def scrap_price(lattice: Lattice, terms: ShopTerms) -> float:
    """Return what the scrap yard pays, money."""
    return scrap_value(lattice.machine, terms)
