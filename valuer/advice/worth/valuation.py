"""What a machine is worth as it stands, how sure that is, and what each remaining fault takes off."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.worth.common import cautions, leaving_actions, ranges, safety_of, warnings_for
from valuer.advice.worth.documents import FaultCost, Valuation, Value
from valuer.advice.worth.fault_cost import cured_alone, lost_alone, shapley_shares
from valuer.advice.worth.lattice import Lattice, is_barred, lattices, scene_of
from valuer.advice.worth.untested import not_looked_for
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms


def value_machines(machines: Sequence[Machine], model: ValueModel, terms: ShopTerms) -> tuple[Valuation, ...]:
    """Return the valuation of each machine, in the order asked."""
    every = lattices([scene_of(machine, terms) for machine in machines], model, terms, shown=True)
    values = ranges([*every, *map(looked_over, every)], model, terms)
    told = zip(every, values[: len(every)], values[len(every) :], strict=True)
    return tuple(_valuation(lattice, value, looked, model, terms) for lattice, value, looked in told)


def _valuation(
    lattice: Lattice, value: Value, looked: Value, model: ValueModel, terms: ShopTerms
) -> Valuation:
    machine, safety = lattice.machine, safety_of(lattice.machine, terms)
    return Valuation(
        id=machine.id,
        called=machine.called,
        value=value,
        sound_value=lattice.sound,
        fault_costs=fault_costs(lattice, model),
        not_looked_for=not_looked_for(machine, lattice.found),
        looking_adds=looked.amount - value.amount,
        looked_low=looked.low,
        looked_high=looked.high,
        safety=safety,
        cautions=cautions(leaving_actions(safety)),
        warnings=warnings_for(lattice, model, terms),
        basis=model.basis,
    )


def looked_over(lattice: Lattice) -> Lattice:
    """Return the lattice as it would be if all that nobody looked for had been looked for and were not there.

    One that may not be sold brings no more for it.
    """
    if lattice.over is None or any(is_barred(item) for item in lattice.found):
        return lattice
    row, price = lattice.over
    values = lattice.values * (price / lattice.row_value)
    return replace(lattice, row=row, row_value=price, values=values)


def fault_costs(lattice: Lattice, model: ValueModel) -> tuple[FaultCost, ...]:
    """Return what each fault takes off, largest share first.

    Shares sum to the gap between the sound machine and this one. With more faults than are enumerated, the
    shares of the enumerated ones are taken with the others left in; those get the rest of the gap.
    """
    held = _held_costs(lattice)
    items = (*lattice.findings, *lattice.held)
    values = lattice.values
    cured, lost, shares = (
        [*of_each(values).tolist(), *beyond]
        for of_each, beyond in zip((cured_alone, lost_alone, shapley_shares), held.tolist(), strict=True)
    )
    documents = [
        *(_told_twice(item, model) for item in lattice.twice),
        *(
            FaultCost(
                fault=item.fault,
                severity=item.severity,
                chance=item.chance,
                cured_alone=cure,
                lost_alone=loss,
                share=share,
                records=model.records(item.fault, item.severity),
            )
            for item, cure, loss, share in zip(items, cured, lost, shares, strict=True)
        ),
    ]
    return tuple(sorted(documents, key=lambda cost: -cost.share))


def _told_twice(item: Finding, model: ValueModel) -> FaultCost:
    """Return the cost of a symptom whose cause stands beside it: nothing besides the cause's."""
    return FaultCost(
        fault=item.fault,
        severity=item.severity,
        chance=item.chance,
        cured_alone=0.0,
        lost_alone=0.0,
        share=0.0,
        records=model.records(item.fault, item.severity),
    )


def _held_costs(lattice: Lattice) -> FloatArray:
    """Return cured alone, lost alone and share of the faults beyond the cap, shape (3, n_held)."""
    if not lattice.held:
        return np.zeros((3, 0))
    all_but, only = lattice.held_values
    lost = lattice.sound - only
    gap = lattice.sound - float(lattice.values[(0,) * lattice.values.ndim])
    weights = lost / lost.sum() if lost.sum() > 0 else np.full(len(lost), 1 / max(len(lost), 1))
    return np.stack([all_but - lattice.now, lost, gap * weights])
