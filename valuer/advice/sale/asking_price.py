"""The asking price: what to ask today, when to cut to what, and the least to take."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.sale.keeping import keep_or_list
from valuer.advice.sale.outlook import WEIGHTS, Outlook, SaleChances, average
from valuer.advice.sale.sale import LEFT_OVER, NOT_FOR_SALE, Sale, no_listing, route_of, sales
from valuer.advice.sale.selling_documents import AskingPoint, AskingPrice, AskingWeek, FastSale, SoldBy
from valuer.advice.sale.waiting import WeekPlan
from valuer.advice.worth.common import cautions, leaving_actions, warnings_for
from valuer.domain.gates import gates_named
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

TOLD = (2, 4, 8)
FAST_CHANCE, FAIR_OFFER = 0.8, 0.85
CURVE_POINTS = 13


def asking_prices(
    machines: Sequence[Machine], model: ValueModel, chances: SaleChances, terms: ShopTerms, weeks: int = 12
) -> tuple[AskingPrice, ...]:
    """Return what to ask for each machine, in the order given. weeks: 1 to 52, until it must be gone."""
    return tuple(_asking_price(sale, model, terms, weeks) for sale in sales(machines, model, chances, terms))


def _asking_price(sale: Sale, model: ValueModel, terms: ShopTerms, weeks: int) -> AskingPrice:
    carried: dict[str, Any] = {
        "id": sale.lattice.machine.id,
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
    plan = sale.plan(weeks)
    refusal = no_listing(sale, plan)
    if refusal:
        scrap = sale.floor >= plan[0].worth
        return AskingPrice(
            **{**carried, "sold_as": "scrap" if scrap else carried["sold_as"]}, refusal=refusal
        )
    carried["warnings"] += _selling_warnings(sale, plan, weeks)
    told = asking_weeks(sale.outlook, plan)
    sold = np.diff([0.0, *(week.sold_by for week in told)])
    unsold = 1.0 - told[-1].sold_by
    return AskingPrice(
        **carried,
        ask=plan[0].ask,
        least_to_take=plan[0].least,
        expected_price=float(sold @ [week.expected_price for week in told] / max(sold.sum(), 1e-9)),
        expected_weeks=round(float(sold @ np.arange(1, len(told) + 1) + unsold * len(told)), 1),
        sold_by=tuple(
            SoldBy(week=w, chance=told[w - 1].sold_by) for w in sorted({*TOLD, weeks}) if w <= len(told)
        ),
        weeks=told,
        left_over=float(sale.left_over(weeks)[-1]),
        fast_sale=fast_sale(sale),
        curve=curve(sale),
        keeping=keep_or_list(sale, terms, weeks),
    )


def _selling_warnings(sale: Sale, plan: Sequence[WeekPlan], weeks: int) -> tuple[str, ...]:
    lines = []
    if sale.safety.unchecked and not sale.safety.must_cure:
        lines.append(f"Only for after the open checks are passed: {gates_named(sale.safety.unchecked)}.")
    asks = sale.asks(weeks)
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
                week=place + 1,
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
    """Return the chance that each ask, left standing, has sold in some weeks, and the price of those sales.

    The least taken is a share of the value, or the ask where that is lower, so that a dearer ask never sells
    sooner: the chance of every week falls with the ask at each node of the doubt.
    """
    start = sale.outlook.value_in(0)
    floor = np.minimum(asks, least * start)
    left, brought = np.ones((len(WEIGHTS), len(asks))), np.zeros((len(WEIGHTS), len(asks)))
    for week in range(weeks):
        chance, price = sale.outlook.at_nodes(week, asks, floor)
        brought += left * chance * price
        left *= 1 - chance
    return average(WEIGHTS, 1 - left, brought / np.maximum(1 - left, 1e-12))


def curve(sale: Sale) -> tuple[AskingPoint, ...]:
    """Return the chance of a sale by weeks 1 and 4 against the ask."""
    asks = sale.asks(4)
    asks = asks[np.unique(np.linspace(0, len(asks) - 1, CURVE_POINTS).round().astype(int))]
    first, (fourth, price) = standing(sale, asks, 1)[0], standing(sale, asks, 4)
    rows = zip(asks, first, fourth, price, strict=True)
    return tuple(
        AskingPoint(
            ask=float(a), sold_by_week_1=float(one), sold_by_week_4=float(four), expected_price=float(p)
        )
        for a, one, four, p in rows
    )


def fast_sale(sale: Sale) -> FastSale:
    """Return the highest ask that should be gone in a week, or the lowest there is when none is likely."""
    asks = sale.asks(1)
    chance, price = standing(sale, asks, 1, LEFT_OVER)
    likely = np.flatnonzero(chance >= FAST_CHANCE)
    place = int(likely[-1]) if len(likely) else 0
    return FastSale(ask=float(asks[place]), chance=float(chance[place]), expected_price=float(price[place]))
