"""List now, or keep it for a better month: standing, care, risk and the money tied up counted."""

from valuer.advice.sale.sale import MONTH_WEEKS, Sale, later
from valuer.advice.sale.selling_documents import Keeping
from valuer.domain.shop import ShopTerms

MOST_MONTHS = 8
"""A machine is kept for eight months at most: from September to the next spring."""

CARE_FROM = 2
"""Months of standing from which fuel is drained and the engine cared for."""

MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def keep_or_list(sale: Sale, terms: ShopTerms, weeks: int) -> Keeping:
    """Return whether listing now or in a later month is worth more, with both worths as prices."""
    now = sale.waiting(weeks).best
    choices = [(_kept_for(sale, terms, weeks, months), months) for months in range(1, MOST_MONTHS + 1)]
    (worth, storage), months = max(choices, key=lambda choice: choice[0][0])
    keep = worth > now
    month = (terms.month - 1 + months) % 12 + 1
    return Keeping(
        verdict="keep" if keep else "list now",
        month=month if keep else terms.month,
        weeks=round(months * MONTH_WEEKS) if keep else 0,
        worth_now=now,
        worth_kept=worth,
        storage=storage,
        reason=_reason(worth - now, storage, MONTHS[month - 1], keep=keep),
    )


def _kept_for(sale: Sale, terms: ShopTerms, weeks: int, months: int) -> tuple[float, float]:
    """Return what listing some months later is worth today, and what standing until then costs."""
    stands = months * MONTH_WEEKS
    cost = stands * sale.cost
    risk = 0.0
    if months >= CARE_FROM:
        cost += terms.winter_care + terms.winter_care_hours * terms.hour_value
        risk = terms.keeping_loss
    month = (sale.outlook.month - 1 + months) % 12 + 1
    worth = later(sale, month).waiting(weeks).best
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
