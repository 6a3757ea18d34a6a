"""A shop's quote made whole: what the owner does not know of it is taken from usual parts, hours and fees."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from valuer.advice.deal.repair_quote import Quote
from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.work.workshop import Workshop, odds_on, usual_workshop
from valuer.advice.worth.lattice import scene_of
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms
from valuer.domain.shop_figures import ShopFigures
from valuer.domain.told_twice import causes_beside, told_twice

NOT_ASKED_FOR = "trim"
"""Group of faults an owner does not take a mower to a shop for: dirt, paint, a missing bag."""

MORE_LIKELY_THAN_NOT = 0.5
"""Odds a fix needs before a shop would quote it (judgement, no source)."""

NOTHING_KNOWN = ShopFigures()


def whole_quotes(
    machines: Sequence[Machine],
    figures: Mapping[str, ShopFigures],
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop | None = None,
) -> tuple[Quote, ...]:
    """Return the quote for each machine, in the order asked; ``figures`` are what is known, by machine id.

    Where parts or hours are not known, each fault gets the fix that costs least per chance of success at the
    shop's prices among those that hold more likely than not, or else the likeliest; a fix that serves several
    faults is done once, shared strip-down is counted once. Trim is left as it is unless the figures name it.
    Parts carry the terms' mark-up.
    """
    del model  # what a shop charges hangs on the fixes, not on prices
    every = [_brought(machine, terms, shop or usual_workshop()) for machine in machines]
    return tuple(_quote(brought, figures.get(brought.machine.id, NOTHING_KNOWN), terms) for brought in every)


@dataclass(frozen=True, slots=True, eq=False)
class Brought:
    """A machine as a shop sees it: its findings, and the odds of every fix on each, shape (k, n_fixes).

    ``explained`` are symptoms whose cause stands beside them: they need no fix of their own.
    """

    machine: Machine
    found: tuple[Finding, ...]
    explained: tuple[Finding, ...]
    odds: FloatArray
    shop: Workshop


def _brought(machine: Machine, terms: ShopTerms, shop: Workshop) -> Brought:
    every = scene_of(machine, terms).findings
    explained = told_twice(every)
    found = tuple(item for item in every if item not in explained)
    rows = [odds_on(shop, item, machine.readings) for item in found]
    return Brought(machine, found, explained, np.array(rows).reshape(len(rows), len(shop.names)), shop)


def _quote(brought: Brought, known: ShopFigures, terms: ShopTerms) -> Quote:
    rate = terms.shop_rate if known.rate is None else known.rate
    cures = _cured(brought) if known.cures is None else known.cures
    parts, hours = _usual(brought, cures, rate, terms)
    fee = 0.0 if known.whole or not _brought_in(brought) else terms.diagnosis_fee
    return Quote(
        parts=parts if known.parts is None else known.parts,
        hours=hours if known.hours is None else known.hours,
        rate=rate,
        diagnosis_fee=fee if known.diagnosis_fee is None else known.diagnosis_fee,
        fee_paid=known.fee_paid,
        cures=cures,
        new_price=known.new_price,
    )


def _brought_in(brought: Brought) -> bool:
    """Say whether there is anything on it that an owner takes a mower to a shop for."""
    groups = {fault_catalogue()[item.fault].group for item in brought.found if item.fault not in FREE}
    return bool(groups - {NOT_ASKED_FOR})


FREE = frozenset({"recall_open"})
"""Faults that the maker cures for nothing: no shop bills them."""


def _cured(brought: Brought) -> tuple[str, ...]:
    """Return the faults an owner would have cured: those with a fix, and symptoms that go with their cause."""
    axes = range(len(brought.found))
    own = [brought.found[axis] for axis in axes if brought.odds[axis].any()]
    wanted = [item.fault for item in own if fault_catalogue()[item.fault].group != NOT_ASKED_FOR]
    symptoms = [
        item.fault
        for item in brought.explained
        if not causes_beside(item, (*brought.found, *brought.explained)).isdisjoint(wanted)
    ]
    return (*wanted, *symptoms)


def _usual(brought: Brought, cures: Collection[str], rate: float, terms: ShopTerms) -> tuple[float, float]:
    """Return usual parts, money, and shop hours of curing these faults."""
    shop = brought.shop
    parts = shop.parts * terms.price_level * (1 + terms.parts_markup)
    alone = np.array([shop.together([place]) for place in range(len(shop.names))])
    chosen = _fixes(brought, cures, parts + alone * rate)
    return round(float(parts[chosen].sum()), 2), round(shop.together(chosen), 2)


def _fixes(brought: Brought, cures: Collection[str], cost: FloatArray) -> list[int]:
    """Return the fixes, places in the workshop, for these faults, each once.

    A shop quotes what will hold, not what may be tried first: see `MORE_LIKELY_THAN_NOT`. What the maker cures
    for nothing is not billed.
    """
    odds = brought.odds
    enough = np.minimum(MORE_LIKELY_THAN_NOT, odds.max(axis=1, initial=0.0))[:, None]
    ratio = np.where(odds >= enough, cost / np.maximum(odds, 1e-12), np.inf)
    wanted = [a for a, item in enumerate(brought.found) if item.fault in cures and item.fault not in FREE]
    return sorted({int(ratio[axis].argmin()) for axis in wanted if odds[axis].any()})
