"""List now, or keep it for a better month: standing, care, risk and the money tied up counted.

What is decided here holds for the asking price and for an offer at the door alike.
"""

from dataclasses import dataclass, replace

import numpy as np

from valuer.advice.sale.sale import MONTH_WEEKS, Sale, later
from valuer.advice.sale.selling_documents import Keeping
from valuer.advice.sale.waiting import Waiting, WeekPlan, beats, best_place, follow
from valuer.domain.months import MONTHS
from valuer.domain.shop import ShopTerms

MOST_MONTHS = 8
"""A machine is kept for eight months at most: from September to the next spring."""

CARE_FROM = 2
"""Months of standing from which fuel is drained and the engine cared for."""


@dataclass(frozen=True)
class Decision:
    """How a machine is sold: kept or listed now, the sale as it is to be listed, its plan, the least today."""

    keeping: Keeping
    sale: Sale
    plan: tuple[WeekPlan, ...]
    least: float


def decide(sale: Sale, terms: ShopTerms, weeks: int) -> Decision:
    """Return whether to keep or list, and the plan from the listing on, over so many weeks from then."""
    table = from_each_month(sale, weeks)
    keeping, now = _keeping(table, sale, terms), follow(table)
    if keeping.verdict != "keep":
        least = now[0].worth if now[0].stop else min(now[0].least, now[0].ask)
        return Decision(keeping, sale, now, least)
    months = (keeping.month - terms.month) % 12
    listed = later(sale, _ahead(sale.outlook.month_of(0), months))
    return Decision(keeping, listed, follow(table, months), keeping.worth_kept)


def keep_or_list(sale: Sale, terms: ShopTerms, weeks: int) -> Keeping:
    """Return whether listing now or in a later month is worth more, with both worths as prices."""
    return _keeping(from_each_month(sale, weeks), sale, terms)


def from_each_month(sale: Sale, weeks: int) -> Waiting:
    """Worth of waiting if it is listed now, in a month, and so on to MOST_MONTHS, side by side in one table."""
    month = np.array([_ahead(sale.outlook.month_of(0), months) for months in range(MOST_MONTHS + 1)])
    listed = np.where(np.arange(len(month)) == 0, sale.outlook.listed, 0)
    return replace(sale, outlook=replace(sale.outlook, month=month, listed=listed)).waiting(weeks)


def _keeping(table: Waiting, sale: Sale, terms: ShopTerms) -> Keeping:
    now, later_on = float(table.best[0]), table.best[1:]
    choices = [(_kept(float(best), sale, terms, months), months) for months, best in enumerate(later_on, 1)]
    (worth, storage), months = max(choices, key=lambda choice: choice[0][0])
    keep = bool(beats(worth, now))
    month = _ahead(terms.month, months)
    return Keeping(
        verdict="keep" if keep else "list now",
        month=month if keep else terms.month,
        weeks=round(months * MONTH_WEEKS) if keep else 0,
        worth_now=now,
        worth_kept=worth,
        storage=storage,
        ask_now=float(table.asks[0, best_place(table.standing[0, 0, -1])]),
        reason=_reason(worth - now, storage, MONTHS[month - 1], keep=keep),
    )


def _ahead(month: int, months: int) -> int:
    return (month - 1 + months) % 12 + 1


def kept_for(sale: Sale, terms: ShopTerms, weeks: int, months: int) -> float:
    """Return what listing some months later is worth today."""
    best = later(sale, _ahead(sale.outlook.month_of(0), months)).waiting(weeks).best[0]
    return _kept(float(best), sale, terms, months)[0]


def _kept(best: float, sale: Sale, terms: ShopTerms, months: int) -> tuple[float, float]:
    """Return what a listing worth so much some months later is worth today, and what standing until then costs."""
    stands = months * MONTH_WEEKS
    cost = stands * sale.cost
    risk = 0.0
    if months >= CARE_FROM:
        cost += terms.winter_care + terms.winter_care_hours * terms.hour_value
        risk = terms.keeping_loss
    return best * (1 - risk) * (1 - sale.tied_up) ** stands - cost, cost


def _reason(gain: float, storage: float, month: str, *, keep: bool) -> str:
    if keep:
        return (
            f"Listing in {month} is worth {gain:.0f} more, {storage:.0f} for standing and care, the risk "
            "and the money tied up already off. Drain or stabilise the fuel first."
        )
    return (
        f"The best later month, {month}, would be worth {-gain:.0f} less once standing costs {storage:.0f}."
    )
