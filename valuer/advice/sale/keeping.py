"""List now, or keep it for a better month: standing, care, risk and the money tied up counted.

What is decided here holds for the asking price and for an offer at the door alike.
"""

from dataclasses import dataclass

from valuer.advice.sale.sale import MONTH_WEEKS, Sale, later
from valuer.advice.sale.selling_documents import Keeping
from valuer.advice.sale.waiting import WeekPlan
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
    keeping, now = keep_or_list(sale, terms, weeks), sale.plan(weeks)
    if keeping.verdict != "keep":
        least = now[0].worth if now[0].stop else min(now[0].least, now[0].ask)
        return Decision(keeping, sale, now, least)
    listed = later(sale, _ahead(sale.outlook.month, keeping.month - terms.month))
    return Decision(keeping, listed, listed.plan(weeks), keeping.worth_kept)


def keep_or_list(sale: Sale, terms: ShopTerms, weeks: int) -> Keeping:
    """Return whether listing now or in a later month is worth more, with both worths as prices."""
    waiting = sale.waiting(weeks)
    choices = [(kept_for(sale, terms, weeks, months), months) for months in range(1, MOST_MONTHS + 1)]
    (worth, storage), months = max(choices, key=lambda choice: choice[0][0])
    keep = worth > waiting.best
    month = _ahead(terms.month, months)
    return Keeping(
        verdict="keep" if keep else "list now",
        month=month if keep else terms.month,
        weeks=round(months * MONTH_WEEKS) if keep else 0,
        worth_now=waiting.best,
        worth_kept=worth,
        storage=storage,
        ask_now=float(waiting.asks[int(waiting.standing[0, -1].argmax())]),
        reason=_reason(worth - waiting.best, storage, MONTHS[month - 1], keep=keep),
    )


def _ahead(month: int, months: int) -> int:
    return (month - 1 + months) % 12 + 1


def kept_for(sale: Sale, terms: ShopTerms, weeks: int, months: int) -> tuple[float, float]:
    """Return what listing some months later is worth today, and what standing until then costs."""
    stands = months * MONTH_WEEKS
    cost = stands * sale.cost
    risk = 0.0
    if months >= CARE_FROM:
        cost += terms.winter_care + terms.winter_care_hours * terms.hour_value
        risk = terms.keeping_loss
    worth = later(sale, _ahead(sale.outlook.month, months)).waiting(weeks).best
    return worth * (1 - risk) * (1 - sale.tied_up) ** stands - cost, cost


def _reason(gain: float, storage: float, month: str, *, keep: bool) -> str:
    if keep:
        return (
            f"Listing in {month} is worth {gain:.0f} more, {storage:.0f} for standing and care, the risk "
            "and the money tied up already off. Drain or stabilise the fuel first."
        )
    return (
        f"The best later month, {month}, would be worth {-gain:.0f} less once standing costs {storage:.0f}."
    )
