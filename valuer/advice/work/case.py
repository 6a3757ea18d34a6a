"""From a machine to the case to be decided: its lattice, its ways out, the fixes that can work on it."""

from collections.abc import Mapping, Sequence

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.clusters import Case
from valuer.advice.work.policies import Workshop, odds_on, policies_for
from valuer.advice.worth.lattice import Lattice
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding
from valuer.domain.shop import ShopTerms

Failed = Mapping[str, frozenset[str]]
"""Fixes that failed before, by fault."""


def case_for(
    lattice: Lattice, proceeds: FloatArray, terms: ShopTerms, shop: Workshop, failed: Failed | None = None
) -> Case:
    """Return the case of one machine. ``proceeds`` is the money left from leaving, shape as the lattice."""
    known = failed or {}
    rows = [
        odds_on(shop, item, lattice.machine.readings, known.get(item.fault, frozenset()))
        for item in lattice.findings
    ]
    return Case(
        shop=shop,
        proceeds=proceeds,
        chances=np.array([item.chance for item in lattice.findings]),
        odds=np.array(rows).reshape(len(rows), len(shop.names)),
        policies=tuple(
            policies_for(shop, item.fault, row.tobytes())
            for item, row in zip(lattice.findings, rows, strict=True)
        ),
        causes=tuple(_causes(item, lattice.findings) for item in lattice.findings),
        forced=frozenset(),
        hour_value=terms.hour_value,
        price_level=terms.price_level,
        margin=terms.margin,
    )


def _causes(symptom: Finding, found: Sequence[Finding]) -> tuple[int, ...]:
    """Return the axes of what brings a symptom about. A slight cause does not explain a serious symptom."""
    causes = fault_catalogue()[symptom.fault].causes
    return tuple(
        axis
        for axis, item in enumerate(found)
        if item.fault in causes
        and item.chance >= 1
        and (item.severity == "serious" or symptom.severity == "slight")
    )
