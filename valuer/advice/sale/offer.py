"""An offer at the door: take it, name another price, or wait; what each is expected to bring."""

from collections.abc import Sequence
from types import MappingProxyType
from typing import Any

import numpy as np

from valuer.advice.ports import ValueModel
from valuer.advice.sale.history import PastWeek, Stood
from valuer.advice.sale.keeping import Decision, decide
from valuer.advice.sale.outlook import WEIGHTS, SaleChances
from valuer.advice.sale.sale import (
    NEVER_ON_OFFER,
    NOT_FOR_SALE,
    History,
    Sale,
    before_offering,
    on_offer,
    route_of,
    sales,
)
from valuer.advice.sale.selling_documents import OfferAdvice, OfferVerdict
from valuer.advice.sale.why import so_far
from valuer.advice.sale.written import next_written, written_between
from valuer.advice.worth.common import cautions, leaving_actions, warnings_for
from valuer.domain.going import each_of
from valuer.domain.machine import Machine
from valuer.domain.months import MONTHS
from valuer.domain.shop import ShopTerms

STAYS = 0.5
"""Chance that a buyer who will not pay the counter still stands by his offer (judgement, no source)."""

SMALL = 0.02
"""A counter that brings less than this share more than the offer is not worth the talk (judgement, no
source).
"""

HOPELESS = 0.05


ABOVE = 1.05
"""An offer further above the ask than this is asked back before it is believed (judgement, no source)."""


def judge_offers(
    machines: Sequence[Machine],
    model: ValueModel,
    chances: SaleChances,
    terms: ShopTerms,
    offer: float,
    week: int | None = None,
    weeks: int = 12,
    ask: float | None = None,
    history: History = MappingProxyType({}),
    *,
    sure: bool = False,
) -> tuple[OfferAdvice, ...]:
    """Return what to do about the same offer for each machine, money. The month of the terms is that of the offer.

    week: of the listing, 1 is the first; absent: as the history says, else the first. ask: what is asked now, if
    it is neither on record nor what was advised. weeks: until it must be gone, from today. sure: an offer above
    the ask was read twice.
    """
    every = sales(machines, model, chances, terms)
    told = (
        _told(sale, history.get(sale.lattice.machine.id, NEVER_ON_OFFER), week, weeks, ask) for sale in every
    )
    return tuple(
        _judge(on_offer(sale, past, terms), model, terms, offer, weeks, ask, sure=sure)
        for sale, past in zip(each_of(every, "machine"), told, strict=True)
    )


def _told(sale: Sale, stood: Stood, week: int | None, weeks: int, ask: float | None) -> Stood:
    """The weeks listed: those on record, or as many as were named, at one ask."""
    if week is None or week == sum(each.share >= 1 for each in stood.weeks) + 1:
        return stood
    asked = ask if ask is not None else sale.plan(weeks)[0].ask
    named = [PastWeek(sale.outlook.month_of(-back), asked) for back in range(week - 1, 0, -1)]
    return Stood(tuple(named), stood.counted)


def _judge(
    sale: Sale,
    model: ValueModel,
    terms: ShopTerms,
    offer: float,
    weeks: int,
    ask: float | None,
    *,
    sure: bool,
) -> OfferAdvice:
    route = route_of(sale)
    carried: dict[str, Any] = {
        "id": sale.lattice.machine.id,
        "called": sale.lattice.machine.called,
        "value": sale.value,
        "safety": sale.safety,
        "cautions": cautions(leaving_actions(sale.safety)),
        "warnings": warnings_for(sale.lattice, model, terms),
        "basis": model.basis,
        "sold_as": route,
        "offer": offer,
        "week": sale.outlook.next_week,
        "so_far": so_far(sale),
    }
    if route is None:
        return OfferAdvice(**carried, refusal=NOT_FOR_SALE, reason="No price lifts an open recall.")
    decision = decide(sale, terms, weeks)
    keeps = decision.keeping.verdict == "keep"
    heard = ask if ask is not None else sale.weeks[-1].ask if sale.weeks else None
    if heard is None:  # nobody was told a price yet: less than keeping it is worth would not be asked
        advised = decision.keeping.ask_now
        asked = max(advised, next_written(decision.least)) if keeps else advised
    else:
        asked = heard
    carried["warnings"] += _beyond(sale, asked)
    wait = decision.least if keeps else min(decision.least, asked)
    counter, accepted, brings = best_counter(sale, asked, offer, wait)
    verdict = _verdict(offer, wait, accepted, brings)
    if offer < wait and asked < wait:
        verdict = "wait"  # nobody pays more than is asked
    if offer > ABOVE * asked and not sure and not decision.plan[0].stop:
        verdict = "ask back"
    return OfferAdvice(
        **carried,
        first=before_offering(sale),
        ask=asked,
        verdict=verdict,
        take_brings=offer,
        counter=counter,
        counter_accepted=accepted,
        counter_brings=brings,
        wait_brings=wait,
        reason=_reason(verdict, offer, wait, counter, asked) + _kept(decision),
    )


def _kept(decision: Decision) -> str:
    """What the worth of waiting rests on, where it is keeping."""
    if decision.keeping.verdict != "keep":
        return ""
    return f" That is what keeping it till {MONTHS[decision.keeping.month - 1]} is worth, the same as `ask` says."


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
    limits = np.minimum([offer, *counters], ask)
    chance = sale.outlook.prospect(np.array([[ask]]), 1).chance(limits, 0)[:, 0, 0]
    visits = -np.log1p(-np.minimum(chance, 1 - 1e-9))
    weights = WEIGHTS * visits[:, 0]
    accepted = (weights / weights.sum()) @ (visits[:, 1:] / visits[:, :1])
    stays = max(offer, wait)
    brings = accepted * counters + (1 - accepted) * (STAYS * stays + (1 - STAYS) * wait)
    best = int(brings.argmax())
    return float(counters[best]), float(min(accepted[best], 1.0)), float(brings[best])


def _verdict(offer: float, wait: float, accepted: float, brings: float) -> OfferVerdict:
    if offer >= wait:
        return "counter" if brings > offer * (1 + SMALL) else "take it"
    return "counter" if accepted >= HOPELESS else "wait"


def _reason(verdict: OfferVerdict, offer: float, wait: float, counter: float, asked: float) -> str:
    if verdict == "ask back":
        return (
            f"{offer:.0f} is {offer - asked:.0f} above the ask of {asked:.0f}: a slip, or somebody who wants more than "
            f"the machine? Ask back; if it is meant, it beats waiting, which is worth {wait:.0f}."
        )
    if verdict == "take it":
        return f"Waiting on is worth {wait:.0f}, {offer - wait:.0f} less; asking for more puts that at risk."
    if verdict == "wait" and asked < wait:
        return f"Waiting on is worth {wait:.0f}, more than the {asked:.0f} that is asked: ask more, or take it down."
    if verdict == "wait":
        return f"Waiting on is worth {wait:.0f}, {wait - offer:.0f} more; few who offer so little pay more."
    floor = "the offer is above what waiting is worth" if offer >= wait else f"waiting on is worth {wait:.0f}"
    return f"Name {counter:.0f} once, friendly, as the last word: {floor}."
