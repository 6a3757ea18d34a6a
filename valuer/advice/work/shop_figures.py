"""A shop's quote made whole: what the owner does not know of it is taken from usual parts, hours and fees."""

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from valuer.advice.deal.repair_quote import Quote
from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.work.bay import Bay, bays
from valuer.advice.work.policies import Workshop, usual_workshop
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.domain.shop_figures import ShopFigures

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
    every = bays(machines, model, terms, shop or usual_workshop())
    return tuple(_quote(bay, figures.get(bay.lattice.machine.id, NOTHING_KNOWN), terms) for bay in every)


def _quote(bay: Bay, known: ShopFigures, terms: ShopTerms) -> Quote:
    rate = terms.shop_rate if known.rate is None else known.rate
    cures = _cured(bay) if known.cures is None else known.cures
    parts, hours = _usual(bay, cures, rate, terms)
    fee = 0.0 if known.whole or not _brought_in(bay) else terms.diagnosis_fee
    return Quote(
        parts=parts if known.parts is None else known.parts,
        hours=hours if known.hours is None else known.hours,
        rate=rate,
        diagnosis_fee=fee if known.diagnosis_fee is None else known.diagnosis_fee,
        fee_paid=known.fee_paid,
        cures=cures,
        new_price=known.new_price,
    )


def _brought_in(bay: Bay) -> bool:
    """Say whether there is anything on it that an owner takes a mower to a shop for."""
    groups = {fault_catalogue()[item.fault].group for item in bay.lattice.findings}
    return bool(groups - {NOT_ASKED_FOR})


def _cured(bay: Bay) -> tuple[str, ...]:
    """Return the faults an owner would have cured: those with a fix, or cured with their cause."""
    case = bay.case
    return tuple(
        item.fault
        for axis, item in enumerate(bay.lattice.findings)
        if fault_catalogue()[item.fault].group != NOT_ASKED_FOR
        and (case.odds[axis].any() or any(case.odds[cause].any() for cause in case.causes[axis]))
    )


def _usual(bay: Bay, cures: Collection[str], rate: float, terms: ShopTerms) -> tuple[float, float]:
    """Return usual parts, money, and shop hours of curing these faults."""
    shop = bay.case.shop
    parts = shop.parts * terms.price_level * (1 + terms.parts_markup)
    alone = np.array([shop.hours_alone(place) for place in range(len(shop.names))])
    chosen = _fixes(bay, cures, parts + alone * rate)
    opened = int(np.bitwise_or.reduce(shop.groups[chosen], initial=0))
    hours = shop.hours[chosen].sum() + shop.group_hours[opened]
    return round(float(parts[chosen].sum()), 2), round(float(hours), 2)


def _fixes(bay: Bay, cures: Collection[str], cost: FloatArray) -> list[int]:
    """Return the fixes, places in the workshop, for these faults, each once.

    A shop quotes what will hold, not what may be tried first: see `MORE_LIKELY_THAN_NOT`. A symptom whose
    cause is cured needs no fix of its own.
    """
    found, causes = bay.lattice.findings, bay.case.causes
    explained = {axis for axis, why in enumerate(causes) if any(found[cause].fault in cures for cause in why)}
    odds = bay.case.odds
    enough = np.minimum(MORE_LIKELY_THAN_NOT, odds.max(axis=1, initial=0.0))[:, None]
    ratio = np.where(odds >= enough, cost / np.maximum(odds, 1e-12), np.inf)
    wanted = [axis for axis, item in enumerate(found) if item.fault in cures and axis not in explained]
    return sorted({int(ratio[axis].argmin()) for axis in wanted if odds[axis].any()})
