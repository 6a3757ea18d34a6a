"""Values of a machine for every subset of its faults still there: what every decision here rests on.

A lattice of k faults is an array of shape (2,)*k, index 1 on an axis meaning that fault is left in. Subsets
of all machines of one question go to the model in one call.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.domain.faults import Severity, fault_catalogue
from valuer.domain.findings import findings, mass_kg
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms, at_price_level, season_month

MOST_FAULTS = 12
"""Faults enumerated exactly; beyond it the dearest are, and the rest count as left in. 2**12 = 4096 rows."""

SCRAP_PER_KG = 0.22
"""Dollars a kilogram of light iron, .11 to .33 (published price list, second hand)."""

LEVEL: dict[Severity, int] = {"slight": 1, "serious": 2}
"""How a severity is written in a row of the model; 0 is an absent fault."""


@dataclass(frozen=True, slots=True)
class Lattice:
    """One machine's sale prices over the subsets of its faults, in own money.

    ``values`` and ``certain`` have shape (2,)*k, axes in the order of ``findings``. ``certain`` takes every
    finding as there; ``values`` weighs a finding of chance q: left in, it is there with chance q only.
    ``held`` are faults beyond the cap, left in everywhere; ``held_values``, shape (2, n_held), has the value
    with every fault but that one, and with only that one. ``row`` is the model's row with every fault there,
    ``sound`` the value with none.
    """

    machine: Machine
    findings: tuple[Finding, ...]
    held: tuple[Finding, ...]
    held_values: FloatArray
    row: FloatArray
    sound: float
    certain: FloatArray
    values: FloatArray

    @property
    def now(self) -> float:
        """Expected sale price as it stands."""
        return float(self.values[(1,) * self.values.ndim])


class Scene(NamedTuple):
    """A machine with the faults it is taken to have, which need not be those its readings show."""

    machine: Machine
    findings: tuple[Finding, ...]


def scene_of(machine: Machine, terms: ShopTerms) -> Scene:
    """Return the machine with what its file and its readings show."""
    return Scene(machine, findings(machine, terms.blade_stop_limit_s))


def lattices(scenes: Sequence[Scene], model: ValueModel, terms: ShopTerms) -> tuple[Lattice, ...]:
    """Return the lattice of each scene, all values from one call of the model."""
    if not scenes:
        return ()
    machines, found = zip(*scenes, strict=True)
    base = model.encode(
        [at_price_level(machine, terms.price_level) for machine in machines], season_month(terms)
    )
    kept = [enumerated(row, items, model) for row, items in zip(base, found, strict=True)]
    blocks = [_rows(row, items, held, model) for row, (items, held) in zip(base, kept, strict=True)]
    prices = model.value(np.concatenate(blocks)) * terms.price_level
    ends = np.cumsum([0, *(len(block) for block in blocks)])
    return tuple(
        _lattice(machine, items, held, block, prices[start:stop], terms)
        for machine, (items, held), block, (start, stop) in zip(
            machines, kept, blocks, pairwise(ends), strict=True
        )
    )


def _lattice(
    machine: Machine,
    found: tuple[Finding, ...],
    held: tuple[Finding, ...],
    rows: FloatArray,
    prices: FloatArray,
    terms: ShopTerms,
) -> Lattice:
    count = 1 << len(found)
    certain = _not_sold(prices[:count].reshape((2,) * len(found)), machine, found, terms)
    return Lattice(
        machine=machine,
        findings=found,
        held=held,
        held_values=prices[count + 1 :].reshape(2, len(held)),
        row=rows[count - 1],
        sound=float(prices[count] if held else prices[0]),
        certain=certain,
        values=with_doubt(certain, [item.chance for item in found]),
    )


def _not_sold(prices: FloatArray, machine: Machine, found: Sequence[Finding], terms: ShopTerms) -> FloatArray:
    """Put the scrap price wherever a fault is left in that bars any sale: an open recall."""
    if not any(is_barred(item) for item in found):
        return prices
    barred = prices.copy()
    for axis, item in enumerate(found):
        if is_barred(item):
            there = (slice(None),) * axis + (1,)
            barred[there] = np.minimum(barred[there], scrap_value(machine, terms))
    return barred


def is_barred(item: Finding) -> bool:
    """Say whether a finding bars the machine from being sold or given away in any form."""
    return item.chance >= 1 and fault_catalogue()[item.fault].must_cure == "block"


def scrap_value(machine: Machine, terms: ShopTerms) -> float:
    """Return what the scrap yard pays for a machine, money."""
    return SCRAP_PER_KG * mass_kg(machine) * terms.price_level


def _rows(
    row: FloatArray, found: Sequence[Finding], held: Sequence[Finding], model: ValueModel
) -> FloatArray:
    """Return the rows of every subset; with faults held, also of none, of all but each, and of only each."""
    every = subset_rows(row, found, held, model)
    if not held:
        return every
    columns = [model.fault_column(item.fault) for item in held]
    only, but = np.repeat(row[None], len(held), axis=0), np.repeat(every[-1][None], len(held), axis=0)
    only[range(len(held)), columns] = [LEVEL[item.severity] for item in held]
    but[range(len(held)), columns] = 0.0
    return np.concatenate([every, row[None], but, only])


def with_doubt(certain: FloatArray, chances: Sequence[float]) -> FloatArray:
    """Weigh doubtful faults: along the axis of a fault of chance q, left in = q there + (1 - q) not there.

    ``certain`` has shape (2,)*k, ``chances`` length k. Exact, as a doubt of one fault says nothing of
    another.
    """
    values = certain
    for axis, chance in enumerate(chances):
        if chance < 1:
            without = np.take(values, 0, axis)
            values = np.stack([without, chance * np.take(values, 1, axis) + (1 - chance) * without], axis)
    return values


def enumerated(
    row: FloatArray, found: tuple[Finding, ...], model: ValueModel
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Split findings into those enumerated and those held: the 12 that alone cost most are enumerated."""
    if len(found) <= MOST_FAULTS:
        return found, ()
    alone = np.repeat(row[None], len(found) + 1, axis=0)
    for place, item in enumerate(found):
        alone[place, model.fault_column(item.fault)] = LEVEL[item.severity]
    values = model.value(alone)
    lost = (values[-1] - values[:-1]) * [item.chance for item in found]
    dearest = set(np.argsort(-lost, kind="stable")[:MOST_FAULTS].tolist())
    return (
        tuple(item for place, item in enumerate(found) if place in dearest),
        tuple(item for place, item in enumerate(found) if place not in dearest),
    )


def subset_rows(
    row: FloatArray, found: Sequence[Finding], held: Sequence[Finding], model: ValueModel
) -> FloatArray:
    """Return the rows, shape (2**k, p), of a machine with each subset of ``found``, and all of ``held``."""
    rows = np.repeat(row[None], 1 << len(found), axis=0)
    for item in held:
        rows[:, model.fault_column(item.fault)] = LEVEL[item.severity]
    if found:
        columns = [model.fault_column(item.fault) for item in found]
        rows[:, columns] = subsets(len(found)) * [LEVEL[item.severity] for item in found]
    return rows


@cache
def subsets(count: int) -> FloatArray:
    """Return every subset of ``count`` things, shape (2**count, count), 1.0 for a member, C order.

    >>> subsets(2).tolist()
    [[0.0, 0.0], [0.0, 1.0], [1.0, 0.0], [1.0, 1.0]]
    """
    places = np.arange(1 << count)[:, None]
    members = (places >> np.arange(count - 1, -1, -1)[None]) & 1
    result = members.astype(np.float64)
    result.flags.writeable = False
    return result
