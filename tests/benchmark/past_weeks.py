"""Weeks listed in the simulator that ended in no sale, and what they truly say.

The worth is hidden: it lies beside the value as the place and the error of the value have it. A seller follows the
plan of the product for some weeks; those who come, what they offer and whether they buy is drawn. What the weeks say
is known exactly: a refused offer is the lower of a buyer's limit and of the ask less what he wants off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tests.benchmark.true_market import Case
from valuer.advice.sale.history import PastWeek
from valuer.market.listings import SILLY, _meet
from valuer.price_model.selling import SellingModel

Floats = npt.NDArray[np.float64]
WEEKS, DRAWS = 5, 400
NODES = np.linspace(-3.2, 3.2, 17)


@dataclass(frozen=True)
class Unsold:
    """A machine after weeks listed: as it stands now, what was seen, its hidden worth beside the value (log)."""

    now: Case
    weeks: tuple[PastWeek, ...]
    worth: float


def draw_unsold(case: Case, model: SellingModel, rng: np.random.Generator) -> Unsold | None:
    """Offer the machine by the product's plan, with hidden worths until one is unsold; None where all are sold."""
    sale = case.sale(model)
    plan = sale.plan(12)[:WEEKS]
    if len(plan) < WEEKS:
        return None
    hidden = rng.normal(0.0, case.truth.spread, DRAWS)
    rows = np.full(DRAWS, case.truth.row)
    left = np.arange(DRAWS)
    offers = []
    for number, week in enumerate(plan):
        month = np.full(DRAWS, sale.outlook.month_of(number))
        ask, least = (np.full(DRAWS, price) for price in (week.ask, min(week.least, week.ask)))
        said, price = _meet(case.truth.visitors, rows, month, number + 1, ask, least, hidden, rng)
        offers.append(said)
        left = left[np.isnan(price[left])]
    if not len(left):
        return None
    one = int(left[0])
    months = [sale.outlook.month_of(number) for number in range(WEEKS)]
    weeks = tuple(
        PastWeek(month, week.ask, max((float(x) for x in said[one].split(";") if x), default=0.0))
        for month, week, said in zip(months, plan, offers, strict=True)
    )
    leasts = [min(week.least, week.ask) for week in plan]
    now = replace(
        case,
        month=sale.outlook.month_of(WEEKS),
        nodes=NODES * case.truth.spread,
        weights=true_weights(case, weeks, leasts),
        listed=WEEKS,
    )
    return Unsold(now, weeks, float(hidden[one]))


def true_weights(case: Case, weeks: Sequence[PastWeek], leasts: Sequence[float]) -> Floats:
    """What the simulator itself would believe of the worth after these weeks, shape (nodes,)."""
    nodes = NODES * case.truth.spread
    log_weight = -(NODES**2) / 2
    for number, (week, least) in enumerate(zip(weeks, leasts, strict=True), start=1):
        log_weight = log_weight + _log_chance(case, number, week, least, nodes)
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _log_chance(case: Case, number: int, week: PastWeek, least: float, nodes: Floats) -> Floats:
    """Log chance that nobody bought and that the best offer refused was this one, as written down."""
    visitors, row = case.truth.visitors, np.asarray(case.truth.row)
    month, count = np.asarray(week.month), np.asarray(number)
    coming = visitors.visits(row, month, count, np.log(week.ask), nodes)
    buys = visitors.can_pay(row, month, count, np.log(least), nodes)

    def offers_from(price: float) -> Floats:
        """Expected offers of at least this price by people who would not pay the least."""
        pays = visitors.can_pay(row, month, count, np.log(price), nodes)
        return coming * np.maximum(pays - buys, 0.0) * visitors.would_give(np.asarray(price / week.ask))

    silent = offers_from(max(week.refused * (1.03 if week.refused else 0), SILLY * week.ask))
    said = -coming * buys - silent
    if not week.refused:
        return said
    some = offers_from(week.refused * 0.97) - silent
    return said + np.log(np.maximum(-np.expm1(-np.maximum(some, 0.0)), 1e-12))
