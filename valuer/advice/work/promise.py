"""What one fix is expected to bring by itself: written down before a try, to be held against what it brought."""

from typing import NamedTuple

from valuer.advice.ports import ValueModel
from valuer.advice.work.done import NOTHING_DONE, Done
from valuer.advice.work.making import odds_left
from valuer.advice.work.workshop import Workshop, usual_workshop
from valuer.advice.worth.lattice import lattices, scene_of
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms


class Promise(NamedTuple):
    """Odds that the fix cures, what the cure is worth, and what is left of odds x gain after parts and hours; money."""

    odds: float
    gain: float
    left: float


def promise(
    machine: Machine,
    model: ValueModel,
    terms: ShopTerms,
    fix: str,
    fault: str,
    shop: Workshop | None = None,
    done: Done | None = None,
) -> Promise | None:
    """Return what the fix promises if all else stays as it is.

    None where the fix is no fix for a fault of this machine, or cannot work on it any more.
    """
    (lattice,) = lattices([scene_of(machine, terms)], model, terms)
    offered = shop or usual_workshop()
    place = next((axis for axis, item in enumerate(lattice.findings) if item.fault == fault), None)
    if place is None or fix not in offered.names:
        return None
    odds = odds_left(lattice, model, terms, offered, done or NOTHING_DONE, place, fix)
    if odds <= 0:
        return None
    values = lattice.values
    there = (1,) * values.ndim
    gone = tuple(0 if axis == place else 1 for axis in range(values.ndim))
    gain = float(values[gone] - values[there]) * (1 - terms.fee_share)
    at = offered.names.index(fix)
    parts = float(offered.parts[at]) * terms.price_level
    return Promise(odds, gain, gain * odds - parts - offered.together([at]) * terms.hour_value)
