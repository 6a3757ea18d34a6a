"""One machine on the bench with all that a decision about it rests on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from valuer.advice.case import Failed, case_for
from valuer.advice.clusters import Case
from valuer.advice.common import ranges
from valuer.advice.documents import Value
from valuer.advice.lattice import Lattice, lattices
from valuer.advice.policies import Workshop
from valuer.advice.ports import ValueModel
from valuer.advice.routes import Leaving, flat_selling_cost, leaving
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms


@dataclass(frozen=True, slots=True, eq=False)
class Bay:
    """A machine's values over its faults, its ways out and what can be done about them.

    ``selling`` is the flat cost of a sale, which falls due whatever is cured, ``fee_share`` what a
    marketplace keeps of the price.
    """

    lattice: Lattice
    value: Value
    out: Leaving
    case: Case
    selling: float
    fee_share: float


def bays(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop,
    failed: Mapping[str, Failed] | None = None,
) -> tuple[Bay, ...]:
    """Return a bay for each machine, all values from one call of the model.

    ``failed`` holds, by machine id, the fixes that failed before on each fault.
    """
    every = lattices(machines, model, terms)
    found = zip(every, ranges(every, model, terms), strict=True)
    return tuple(
        _bay(lattice, value, terms, shop, (failed or {}).get(lattice.machine.id)) for lattice, value in found
    )


def _bay(lattice: Lattice, value: Value, terms: ShopTerms, shop: Workshop, failed: Failed | None) -> Bay:
    out = leaving(lattice, terms)
    case = case_for(lattice, out.proceeds, terms, shop, failed)
    return Bay(lattice, value, out, case, flat_selling_cost(lattice.now, terms), terms.fee_share)
