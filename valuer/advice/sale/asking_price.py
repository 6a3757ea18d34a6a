"""The asking price: what to ask today, when to cut to what, and the least to take."""

from collections.abc import Sequence
from itertools import pairwise
from types import MappingProxyType
from typing import Any

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.sale.keeping import Decision, decide
from valuer.advice.sale.outlook import WEIGHTS, Outlook, SaleChances
from valuer.advice.sale.sale import (
    LEFT_OVER,
    NOT_FOR_SALE,
    History,
    Sale,
    before_offering,
    no_listing,
    route_of,
    sales,
)
from valuer.advice.sale.selling_documents import AskingPoint, AskingPrice, AskingWeek, FastSale, Rung, SoldBy
from valuer.advice.sale.waiting import WeekPlan
from valuer.advice.sale.why import so_far
from valuer.advice.worth.common import cautions, leaving_actions, warnings_for
from valuer.domain.going import each_of
from valuer.domain.machine import Machine
from valuer.domain.months import MONTHS
from valuer.domain.shop import ShopTerms

TOLD = (2, 4, 8)
FAST_CHANCE, FAIR_OFFER = 0.8, 0.85
CURVE_POINTS = 13


USUAL_OVER = (1.05, 1.16)
"""Ask over expected sale as the trade knows it (common practice, no source: 1.08 to 1.12 of the sale in spring, the
sale .85 to 1 of the ask); an ask beyond it says why."""


def asking_prices(
    machines: Sequence[Machine],
    model: ValueModel,
    chances: SaleChances,
    terms: ShopTerms,
    weeks: int = 12,
    history: History = MappingProxyType({}),
) -> tuple[AskingPrice, ...]:
    """Return what to ask for each machine, in the order given. weeks: 1 to 52, until it must be gone.

    history: the weeks listed so far of those that are listed and unsold.
    """
    every = sales(machines, model, chances, terms, history)
    return tuple(_asking_price(sale, model, terms, weeks) for sale in each_of(every, "machine"))


def _asking_price(sale: Sale, model: ValueModel, terms: ShopTerms, weeks: int) -> AskingPrice:
    carried: dict[str, Any] = {
        "id": sale.lattice.machine.id,
        "called": sale.lattice.machine.called,
        "value": sale.value,
        "safety": sale.safety,
        "cautions": cautions(leaving_actions(sale.safety)),
        "warnings": warnings_for(sale.lattice, model, terms),
        "basis": model.basis,
        "horizon": weeks,
        "storage_a_week": terms.storage_per_week,
        "sold_as": route_of(sale),
    }
    if carried["sold_as"] is None:
        return AskingPrice(**carried, refusal=NOT_FOR_SALE)
    decision = decide(sale, terms, weeks)
    plan, first, keeping = decision.plan, before_offering(sale), decision.keeping
    refusal = no_listing(decision.sale, plan)
    if refusal:
        scrap = sale.floor >= plan[0].worth
        return AskingPrice(
            **{**carried, "sold_as": "scrap" if scrap else carried["sold_as"]},
            first=first,
            refusal=refusal,
            so_far=so_far(sale),
        )
    carried["warnings"] += _edge_warnings(decision.sale, plan, weeks)
    told = asking_weeks(decision.sale.outlook, plan)
    sold = np.diff([0.0, *(week.sold_by for week in told)])
    unsold = 1.0 - told[-1].sold_by
    expected = float(sold @ [week.expected_price for week in told] / max(sold.sum(), 1e-9))
    in_weeks = round(float(sold @ np.arange(1, len(told) + 1) + unsold * len(told)), 1)
    if first and keeping.verdict == "list now":
        keeping = keeping.model_copy(update={"verdict": "check first"})
    return AskingPrice(
        **carried,
        first=first,
        week=sale.outlook.next_week,
        so_far=so_far(sale),
        ladder=_ladder(decision, expected, in_weeks),
        ask=plan[0].ask,
        least_to_take=decision.least,
        expected_price=expected,
        expected_weeks=in_weeks,
        sold_by=tuple(
            SoldBy(week=w, chance=told[w - 1].sold_by) for w in sorted({*TOLD, weeks}) if w <= len(told)
        ),
        weeks=told,
        left_over=float(decision.sale.left_over(weeks)[-1, 0]),
        fast_sale=fast_sale(sale),
        curve=curve(decision.sale),
        keeping=keeping,
    )


def _ladder(decision: Decision, expected: float, in_weeks: float) -> tuple[Rung, ...]:
    """Every price once, with its sentence."""
    value, keeping = decision.sale.value, decision.keeping
    kept = keeping.verdict == "keep"
    when = f"in {MONTHS[keeping.month - 1]}" if kept else "now"
    ask = decision.plan[0].ask
    least = "keeping it is worth that much" if kept else "waiting is worth that much"
    return (
        Rung(
            name="worth",
            amount=value.amount,
            says=f"what it should sell for this month as it stands, most likely {value.low:.0f} to {value.high:.0f}",
        ),
        Rung(
            name="ask",
            amount=ask,
            says=f"what to write in the advert {when}{_why_so_much(decision, ask / expected)}",
        ),
        Rung(
            name="expect",
            amount=expected,
            says=f"what the sale should bring, haggling and cuts off, about {_weeks(in_weeks)} after listing",
        ),
        Rung(name="least", amount=decision.least, says=f"refuse less today: {least}; keep it to yourself"),
    )


def _weeks(count: float) -> str:
    return "a week" if round(count) <= 1 else f"{round(count)} weeks"


def _why_so_much(decision: Decision, over: float) -> str:
    """Why the ask stands further from the sale than the trade's rule has it; empty where it does not."""
    low, high = USUAL_OVER
    if low <= over <= high:
        return ""
    if over < low:
        return f"; only {over:.2f} of the sale, for the end is near"
    cuts = sum(after.ask < before.ask for before, after in pairwise(decision.plan))
    doubt = 100 * np.expm1(decision.sale.outlook.doubt)
    return (
        f"; {over:.2f} of the sale where 1.08 to 1.15 is usual: its worth is known to {doubt:.0f} in 100 only, so it "
        f"starts high for whoever pays it and is cut {_times(cuts)}, a week of waiting costing {decision.sale.cost:.2f}"
    )


def _times(count: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def _edge_warnings(sale: Sale, plan: Sequence[WeekPlan], weeks: int) -> tuple[str, ...]:
    lines = []
    asks = sale.asks(weeks)[0]
    if any(week.ask in (asks[0], asks[-1]) for week in plan):
        low, high = np.exp(sale.outlook.chances.ask_range)
        lines.append(
            f"Listings cover asks from {low:.2f} to {high:.2f} of the value only; the best may lie beyond."
        )
    return tuple(lines)


def asking_weeks(outlook: Outlook, plan: Sequence[WeekPlan]) -> tuple[AskingWeek, ...]:
    """Return the weeks of a plan with the chance of having sold by each."""
    weeks, sold, before = [], 0.0, float("inf")
    for place, week in enumerate(plan):
        sold += (1.0 - sold) * week.chance
        weeks.append(
            AskingWeek(
                week=outlook.next_week + place,
                month=outlook.month_of(place),
                ask=week.ask,
                cut=week.ask < before < float("inf"),
                least_to_take=min(week.least, week.ask),
                chance=week.chance,
                sold_by=sold,
                expected_price=week.price,
            )
        )
        before = week.ask
    return tuple(weeks)


def standing(
    sale: Sale, asks: FloatArray, weeks: int, least: float = FAIR_OFFER
) -> tuple[FloatArray, FloatArray]:
    """Return the chance that each ask, left standing, has sold by each week, and the price of those sales.

    Each of shape (weeks, n). The least taken is a share of the value, or the ask where that is lower, so that a
    dearer ask never sells sooner: the chance of every week falls with the ask at each node of the doubt.
    """
    floor = np.minimum(asks, least * sale.outlook.value_in(0))
    chance, share = (each[:, :, 0, 0] for each in sale.outlook.prospect(asks[None], weeks).sold(floor))
    left = np.cumprod(1 - chance, axis=0)
    before = np.concatenate([np.ones_like(left[:1]), left[:-1]])
    sold = WEIGHTS @ (1 - left)
    place = WEIGHTS @ np.cumsum(before * chance * share, axis=0) / np.maximum(sold, 1e-12)
    return sold, floor + place * (asks - floor)


def curve(sale: Sale) -> tuple[AskingPoint, ...]:
    """Return the chance of a sale by weeks 1 and 4 against the ask."""
    asks = sale.asks(4)[0]
    asks = asks[np.unique(np.linspace(0, len(asks) - 1, CURVE_POINTS).round().astype(int))]
    sold, price = standing(sale, asks, 4)
    rows = zip(asks, sold[0], sold[3], price[3], strict=True)
    return tuple(
        AskingPoint(
            ask=float(a), sold_by_week_1=float(one), sold_by_week_4=float(four), expected_price=float(p)
        )
        for a, one, four, p in rows
    )


def fast_sale(sale: Sale) -> FastSale:
    """Return the highest ask that should be gone in a week, or the lowest there is when none is likely."""
    asks = sale.asks(1)[0]
    chance, price = (by_week[0] for by_week in standing(sale, asks, 1, LEFT_OVER))
    likely = np.flatnonzero(chance >= FAST_CHANCE)
    place = int(likely[-1]) if len(likely) else 0
    return FastSale(ask=float(asks[place]), chance=float(chance[place]), expected_price=float(price[place]))
