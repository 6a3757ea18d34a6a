"""One machine on the bench with all that a decision about it rests on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from valuer.advice.ports import ValueModel
from valuer.advice.work.case import case_for
from valuer.advice.work.clusters import Case
from valuer.advice.work.done import Done, without
from valuer.advice.work.policies import Workshop
from valuer.advice.work.routes import Leaving, flat_selling_cost, leaving
from valuer.advice.worth.common import ranges
from valuer.advice.worth.documents import Value
from valuer.advice.worth.lattice import Lattice, lattices, scene_of
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms


@dataclass(frozen=True, slots=True, eq=False)
class Bay:
    """A machine's values over its faults, its ways out and what can be done about them.

    ``selling`` is the flat cost of a sale, which falls due whatever is cured, ``fee_share`` what a
    marketplace keeps of the price, ``cured`` the faults that work so far has cured.
    """

    lattice: Lattice
    value: Value
    out: Leaving
    case: Case
    selling: float
    fee_share: float
    cured: frozenset[str]


def bays(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop,
    done: Mapping[str, Done] | None = None,
) -> tuple[Bay, ...]:
    """Return a bay for each machine, all values from one call of the model.

    ``done`` tells, by machine id, how work done so far went.
    """
    known = done or {}
    scenes = [without(scene_of(machine, terms), known.get(machine.id)) for machine in machines]
    every = lattices(scenes, model, terms)
    found = zip(every, ranges(every, model, terms), strict=True)
    return tuple(
        bay_of(lattice, value, terms, shop, known.get(lattice.machine.id)) for lattice, value in found
    )


def bay_of(lattice: Lattice, value: Value, terms: ShopTerms, shop: Workshop, done: Done | None = None) -> Bay:
    """Return the bay of a machine whose values are known."""
    failed = done.failed if done else None
    out = leaving(lattice, terms)
    case = case_for(lattice, out.proceeds, terms, shop, failed)
    return Bay(
        lattice,
        value,
        out,
        case,
        flat_selling_cost(lattice.now, terms),
        terms.fee_share,
        done.cured if done else frozenset(),
    )
