"""An offer at the door: take it, name another price, or wait; what each is expected to bring."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from valuer.advice.ports import ValueModel
from valuer.advice.sale.outlook import SaleChances
from valuer.advice.sale.sale import NOT_FOR_SALE, Sale, route_of, sales
from valuer.advice.sale.selling_documents import OfferAdvice, OfferVerdict
from valuer.advice.sale.written import written_between
from valuer.advice.worth.common import cautions, leaving_actions, warnings_for
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

STAYS = 0.5
"""Chance that a buyer who will not pay the counter still stands by his offer (judgement, no source)."""

SMALL = 0.02
"""A counter that brings less than this share more than the offer is not worth the talk (judgement, no
source).
"""

HOPELESS = 0.05


def judge_offers(
    machines: Sequence[Machine],
    model: ValueModel,
    chances: SaleChances,
    terms: ShopTerms,
    offer: float,
    week: int = 1,
    weeks: int = 12,
    ask: float | None = None,
) -> tuple[OfferAdvice, ...]:
    """Return what to do about the same offer for each machine, money. week: of the listing, 1 is the first.

    ask: what is asked now, if it is not what was advised. The month of the terms is that of today's offer.
    """
    every = sales(machines, model, chances, terms)
    listed = (replace(sale, outlook=replace(sale.outlook, listed=week - 1)) for sale in every)
    return tuple(_judge(sale, model, terms, offer, week, weeks, ask) for sale in listed)


def _judge(
    sale: Sale, model: ValueModel, terms: ShopTerms, offer: float, week: int, weeks: int, ask: float | None
) -> OfferAdvice:
    route = route_of(sale)
    carried: dict[str, Any] = {
        "id": sale.lattice.machine.id,
        "value": sale.value,
        "safety": sale.safety,
        "cautions": cautions(leaving_actions(sale.safety)),
        "warnings": warnings_for(sale.lattice, model, terms),
        "basis": model.basis,
        "sold_as": route,
        "offer": offer,
        "week": week,
    }
    if route is None:
        return OfferAdvice(**carried, refusal=NOT_FOR_SALE, reason="No price lifts an open recall.")
    plan = sale.plan(max(weeks - week + 1, 1))
    standing = ask if ask is not None else plan[0].ask
    carried["warnings"] += _beyond(sale, standing)
    wait = plan[0].worth if plan[0].stop else min(plan[0].least, standing)
    standing = max(standing, wait)
    counter, accepted, brings = best_counter(sale, standing, offer, wait)
    verdict = _verdict(offer, wait, accepted, brings)
    return OfferAdvice(
        **carried,
        ask=standing,
        verdict=verdict,
        take_brings=offer,
        counter=counter,
        counter_accepted=accepted,
        counter_brings=brings,
        wait_brings=wait,
        reason=_reason(verdict, offer, wait, counter),
    )


def _beyond(sale: Sale, ask: float) -> tuple[str, ...]:
    """Return a warning where the listings cover no such ask: it then counts as the nearest they cover."""
    low, high = (sale.outlook.value_in(0) * float(np.exp(end)) for end in sale.outlook.chances.ask_range)
    if low <= ask <= high:
        return ()
    nearest = min(max(ask, low), high)
    return (
        f"No listing asked as much or as little as {ask:.0f} here; it counts as {nearest:.0f}, the nearest seen.",
    )


def best_counter(sale: Sale, ask: float, offer: float, wait: float) -> tuple[float, float, float]:
    """Return the counter that brings most, the chance that it is paid, and what it brings.

    None goes beyond half-way from the offer to the ask, unless what waiting is worth does (common practice, no
    source: counter half-way to the ask, once).

    Of those who would pay the offer, the share who would pay more is that of the weekly visits that would:
    visits follow from the chance of a sale as -log(1 - chance). Who says no stands by his offer with the
    chance STAYS.
    """
    lowest = min(max(offer, wait), ask)
    written = [float(c) for c in written_between(lowest, ask) if c > offer] or [ask]
    counters = np.array([c for c in written if c <= (offer + ask) / 2] or written[:1])
    asks = np.full(len(counters) + 1, ask)
    chance, _ = sale.outlook.at_nodes(0, asks, np.array([min(offer, ask), *counters]))
    visits = -np.log1p(-np.minimum(chance, 1 - 1e-9))
    weights = sale.outlook.beliefs(0) * visits[:, 0]
    accepted = (weights / weights.sum()) @ (visits[:, 1:] / visits[:, :1])
    stays = max(offer, wait)
    brings = accepted * counters + (1 - accepted) * (STAYS * stays + (1 - STAYS) * wait)
    best = int(brings.argmax())
    return float(counters[best]), float(min(accepted[best], 1.0)), float(brings[best])


def _verdict(offer: float, wait: float, accepted: float, brings: float) -> OfferVerdict:
    if offer >= wait:
        return "counter" if brings > offer * (1 + SMALL) else "take it"
    return "counter" if accepted >= HOPELESS else "wait"


def _reason(verdict: OfferVerdict, offer: float, wait: float, counter: float) -> str:
    if verdict == "take it":
        return f"Waiting on is worth {wait:.0f}, {offer - wait:.0f} less; asking for more puts that at risk."
    if verdict == "wait":
        return f"Waiting on is worth {wait:.0f}, {wait - offer:.0f} more; few who offer so little pay more."
    floor = "the offer is above what waiting is worth" if offer >= wait else f"waiting on is worth {wait:.0f}"
    return f"Name {counter:.0f} once, friendly, as the last word: {floor}."
