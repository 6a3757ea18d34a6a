"""How many at once: with room for so many listed, which to list now and which to leave for later.

Two alike in one town take each other's buyers: half of those who come for the one have the other to choose from.
So a machine beside one that is alike sells as if only its share of the buyers came.
"""

from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from valuer.advice.ports import ValueModel
from valuer.advice.sale.keeping import keep_or_list, kept_for
from valuer.advice.sale.outlook import SaleChances
from valuer.advice.sale.sale import History, Sale, before_offering, route_of, sales
from valuer.advice.sale.selling_documents import OnOffer, Together
from valuer.domain.machine import Machine
from valuer.domain.months import MONTHS
from valuer.domain.shop import ShopTerms

ALIKE = 1.25
"""Values further apart than this many times draw other buyers (judgement, no source)."""


def list_together(
    machines: Sequence[Machine],
    model: ValueModel,
    chances: SaleChances,
    terms: ShopTerms,
    room: int,
    weeks: int = 12,
    history: History = MappingProxyType({}),
) -> Together:
    """Return which of the machines to have listed now. room: most at once, 1 or more; weeks: as for the ask.

    The one that gains most over being listed a month later comes first, then the next beside it, until there is
    no room or no gain.
    """
    every = sales(machines, model, chances, terms, history)
    barred = [row for sale in every if (row := _barred(sale, terms, weeks))]
    free = [sale for sale in every if sale.lattice.machine.id not in {row.id for row in barred}]
    listed: list[Sale] = []
    rows: list[OnOffer] = []
    while free and len(listed) < room:
        gains = [_gain(sale, listed, terms, weeks) for sale in free]
        best = int(np.argmax(gains))
        if gains[best] <= 0:
            break
        rows.append(_row(free[best], "list now", gains[best], listed))
        listed.append(free.pop(best))
    rows += [_row(sale, "wait", _gain(sale, listed, terms, weeks), listed) for sale in free]
    return Together(room=room, machines=(*rows, *barred))


def _barred(sale: Sale, terms: ShopTerms, weeks: int) -> OnOffer | None:
    """What is not listed now, whatever the room: it may not be, or it is better kept."""
    machine, first = sale.lattice.machine, before_offering(sale)
    name, called = machine.id, machine.called
    if route_of(sale) is None:
        return OnOffer(id=name, called=called, verdict="not for sale", reason="A recall is open.")
    if first:
        return OnOffer(id=name, called=called, verdict="check first", reason=first)
    keeping = keep_or_list(sale, terms, weeks)
    if keeping.verdict == "keep":
        reason = f"Till {MONTHS[keeping.month - 1]}. {keeping.reason}"
        return OnOffer(id=name, called=called, verdict="keep", reason=reason)
    return None


def _gain(sale: Sale, listed: Sequence[Sale], terms: ShopTerms, weeks: int) -> float:
    """What listing it now beside the others is worth more than listing it alone in a month."""
    beside = len(_alike(sale, listed))
    shared = replace(
        sale, outlook=replace(sale.outlook, chances=sale.outlook.chances.shifted(-np.log1p(beside)))
    )
    return float(shared.waiting(weeks).best[0]) - kept_for(sale, terms, weeks, 1)


def _alike(sale: Sale, others: Sequence[Sale]) -> list[str]:
    """Those of the others that draw the same buyers: pushed or driven alike, sold alike, of about the same value."""
    return [
        other.lattice.machine.id
        for other in others
        if (other.lattice.machine.drive == "push") == (sale.lattice.machine.drive == "push")
        and route_of(other) == route_of(sale)
        and 1 / ALIKE <= other.value.amount / sale.value.amount <= ALIKE
    ]


def _row(sale: Sale, verdict: str, gain: float, listed: Sequence[Sale]) -> OnOffer:
    alike = tuple(_alike(sale, listed))
    beside = f" It shares its buyers with {', '.join(alike)}." if alike else ""
    if verdict == "list now":
        why = f"Worth {gain:.0f} more now than in a month.{beside}"
    elif gain > 0:
        why = f"No room; it would be worth {gain:.0f} more now than in a month.{beside}"
    else:
        why = f"Worth {-gain:.0f} more in a month.{beside}"
    machine = sale.lattice.machine
    return OnOffer(id=machine.id, called=machine.called, verdict=verdict, gain=gain, alike=alike, reason=why)
