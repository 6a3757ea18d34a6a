"""Why it has not sold: each explanation with its odds, and what to do about it."""

from collections.abc import Mapping

import numpy as np

from valuer.advice.sale.history import Cause, Learned
from valuer.advice.sale.sale import Sale
from valuer.advice.sale.selling_documents import Reason, SoFar
from valuer.domain.faults import fault_catalogue

SAYS: Mapping[Cause, str] = {
    "price": "It asks more than those who looked think it worth.",
    "advert": "Too few have seen it: the advert, its pictures, or the place it stands in.",
    "fault": "Those who come or ask are put off by something the advert does not show.",
    "season": "Few buy at this time of the year.",
    "chance": "Nothing is wrong: a machine may stand so long.",
}
DO: Mapping[Cause, str] = {
    "advert": "Put it up afresh with a plain title: film the cold start, show the deck from below, name the readings.",
    "chance": "Leave the ask as the plan has it.",
}

FEW_COME = 0.5
"""Chance of being unsold at the value believed, from which on few come (judgement, no source)."""


def so_far(sale: Sale) -> SoFar | None:
    """Return what the weeks listed have said; None where there were none."""
    if sale.learned is None:
        return None
    weeks, told = sale.weeks, sale.learned
    counted = [week.enquiries for week in weeks if week.enquiries is not None]
    refused = max(week.refused for week in weeks)
    odds = sorted(told.causes.items(), key=lambda cause: -cause[1])
    return SoFar(
        weeks=sum(week.share >= 1 for week in weeks),
        first_ask=weeks[0].ask,
        ask=weeks[-1].ask,
        best_offer=refused or None,
        enquiries=sum(counted) if counted else None,
        believed=sale.believed,
        unsold=told.unsold,
        moved=_moved(sale, told, refused),
        reasons=tuple(
            Reason(cause=cause, odds=min(chance, 1.0), says=SAYS[cause], do=_do(cause, sale))
            for cause, chance in odds
        ),
    )


def _moved(sale: Sale, told: Learned, refused: float) -> str:
    """What the weeks say of the value, silence and offers apart."""
    before, now = sale.believed, sale.value.amount
    silent = before * float(np.exp(told.silent))
    asked = sum(week.enquiries or 0 for week in sale.weeks)
    came = f"{asked} asked and nobody bought" if asked else "nobody bought"
    nobody = f"That {came} makes the {before:.0f} believed before {silent:.0f}"
    if not refused:
        return f"{nobody}."
    rare = told.unsold >= FEW_COME and now > before
    why = ": so few come now that one who offers so much says a lot" if rare else ""
    return f"{nobody}; that {refused:.0f} was offered makes it {now:.0f}{why}."


def _do(cause: Cause, sale: Sale) -> str:
    """What to do about one explanation."""
    if cause == "price":
        return f"Ask what the plan says: it counts as worth {sale.value.amount:.0f} now, {sale.believed:.0f} before."
    if cause == "fault":
        found = [item.fault for item in (*sale.lattice.findings, *sale.lattice.held)]
        if not found:
            return "Ask the next one who leaves why; start it cold yourself, listen, smell, look underneath."
        names = ", ".join(fault_catalogue()[fault].name.lower() for fault in found[:3])
        return f"Ask the next one who leaves why; cure it or name it with its reading in the advert: {names}."
    if cause == "season":
        return "Cut little: a lower ask brings few buyers now. Weigh keeping it, which this answer has done."
    return DO[cause]
