"""What a machine is worth as it stands, how sure that is, and what each remaining fault takes off."""

from collections.abc import Sequence
from math import exp, log, sqrt

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.worth.common import HALF_80, cautions, leaving_actions, ranges, safety_of, warnings_for
from valuer.advice.worth.documents import FaultCost, Valuation, Value
from valuer.advice.worth.fault_cost import cured_alone, lost_alone, shapley_shares
from valuer.advice.worth.lattice import Lattice, lattices, scene_of
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms


def value_machines(machines: Sequence[Machine], model: ValueModel, terms: ShopTerms) -> tuple[Valuation, ...]:
    """Return the valuation of each machine, in the order asked."""
    every = lattices([scene_of(machine, terms) for machine in machines], model, terms)
    return tuple(
        valuation_of(lattice, value, model, terms)
        for lattice, value in zip(every, ranges(every, model, terms), strict=True)
    )


def valuation_of(lattice: Lattice, value: Value, model: ValueModel, terms: ShopTerms) -> Valuation:
    """Return the valuation of a machine whose values are known."""
    safety = safety_of(lattice.machine, terms)
    looked = looked_over(lattice, value)
    return Valuation(
        id=lattice.machine.id,
        called=lattice.machine.called,
        value=value,
        sound_value=lattice.sound,
        fault_costs=fault_costs(lattice, model),
        not_looked_for=lattice.unseen.faults,
        looking_adds=looked.amount - value.amount,
        looked_low=looked.low,
        looked_high=looked.high,
        safety=safety,
        cautions=cautions(leaving_actions(safety)),
        warnings=warnings_for(lattice, model, terms),
        basis=model.basis,
    )


def looked_over(lattice: Lattice, value: Value) -> Value:
    """Return the value as it would be if all that nobody looked for had been looked for and were not there."""
    share, spread = lattice.unseen.share, HALF_80 * lattice.unseen.spread
    low = sqrt(max(log(value.amount / value.low) ** 2 - spread**2, 0.0)) if value.low > 0 else 0.0
    high = sqrt(max(log(value.high / value.amount) ** 2 - spread**2, 0.0)) if value.amount > 0 else 0.0
    amount = value.amount / share
    return value.model_copy(update={"amount": amount, "low": amount * exp(-low), "high": amount * exp(high)})


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
