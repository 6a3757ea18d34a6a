"""One machine about to be listed: its values by month, how listings like it sell, what standing costs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.sale.history import Learned, PastWeek, Stood, after, learn
from valuer.advice.sale.outlook import Outlook, SaleChances
from valuer.advice.sale.waiting import Waiting, WeekPlan, follow, roll_back
from valuer.advice.sale.written import written_between
from valuer.advice.work.ways_out import NOT_RUNNING
from valuer.advice.worth.common import noise, ranges, safety_of
from valuer.advice.worth.documents import Route, Safety, Value
from valuer.advice.worth.lattice import Lattice, lattices, scene_of, scrap_value
from valuer.domain.gates import gate_catalogue, gates_named
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms, at_price_level, season_month

LEFT_OVER = 0.60
"""Share of the value that a quick sale to a repairer or reseller brings (common practice, no source: at .7 of
its value a machine is gone in days in any month; a tenth less for certainty)."""

MOST_CUTS = 5
"""Cuts of the ask in one plan (judgement). Common practice, no source, is three larger ones, then another plan; a plan
of five smaller ones loses about .2 % of the price less to the best one there is, in the simulator (trial)."""

LOW, HIGH = 0.6, 1.75
"""Asks beside the value that are looked at, before the range of the listings narrows them."""

MONTH_WEEKS = 52 / 12
YEAR_WEEKS = 52.0


@dataclass(frozen=True)
class Sale:
    """One machine about to be listed, under one shop's terms.

    Money is own money, prices are what a buyer pays. cost: of standing a week; tied_up: share of the worth
    lost by a week of waiting; floor: what scrap leaves. weeks: listed so far, unsold; learned: what they say,
    already in value and outlook; believed: the value before them.
    """

    lattice: Lattice
    value: Value
    safety: Safety
    outlook: Outlook
    cost: float
    tied_up: float
    floor: float
    weeks: tuple[PastWeek, ...] = ()
    learned: Learned | None = None
    believed: float = 0.0

    def asks(self, weeks: int) -> FloatArray:
        """The asks people write that the listings cover, for the values of the weeks to come.

        Of every start, shape (s, n), the last repeated where another start has more.
        """
        values, (low, high) = self.outlook.values_in(weeks), np.exp(self.outlook.chances.ask_range)
        ends = zip(max(LOW, low) * values.min(axis=0), min(HIGH, high) * values.max(axis=0), strict=True)
        asks = [written_between(float(lowest), float(highest)) for lowest, highest in ends]
        most = max(map(len, asks))
        return np.array([[*each, *[each[-1]] * (most - len(each))] for each in asks])

    def left_over(self, weeks: int) -> FloatArray:
        """What a quick sale would bring at the start of each week and after the last, shape (weeks + 1, s)."""
        return np.maximum(LEFT_OVER * self.outlook.values_in(weeks + 1), self.floor)

    def waiting(self, weeks: int) -> Waiting:
        """Worth of waiting over so many weeks."""
        asks, costs = self.asks(weeks), np.full(weeks, self.cost)
        sale = self.outlook.prospect(asks, weeks).believing(self.outlook.learned)
        return roll_back(asks, sale, costs, self.left_over(weeks), MOST_CUTS, self.tied_up)

    def plan(self, weeks: int) -> tuple[WeekPlan, ...]:
        """The best plan over so many weeks."""
        return follow(self.waiting(weeks))


History = Mapping[str, Stood]
"""Times listed that still run, by machine id."""

NEVER_ON_OFFER = Stood()


def sales(
    machines: Sequence[Machine],
    model: ValueModel,
    chances: SaleChances,
    terms: ShopTerms,
    history: History = MappingProxyType({}),
) -> tuple[Sale, ...]:
    """Return each machine with its values by month and what standing costs, its weeks listed counted."""
    every = lattices([scene_of(machine, terms) for machine in machines], model, terms)
    share = min(terms.fee_share + terms.come_backs * terms.come_back_cost, 0.99)
    found = (
        Sale(
            lattice=lattice,
            value=value,
            safety=safety_of(lattice.machine, terms),
            outlook=_outlook(lattice, value, model, chances, terms),
            cost=terms.storage_per_week / (1 - share),
            tied_up=terms.tied_up_a_year / YEAR_WEEKS,
            floor=scrap_value(lattice.machine, terms),
        )
        for lattice, value in zip(every, ranges(every, model, terms), strict=True)
    )
    return tuple(
        on_offer(sale, history.get(sale.lattice.machine.id, NEVER_ON_OFFER), terms) for sale in found
    )


def on_offer(sale: Sale, stood: Stood, terms: ShopTerms) -> Sale:
    """Return the sale after weeks listed: value, its range and how soon it sells as learned from them."""
    weeks = stood.weeks
    if not weeks:
        return sale
    fresh = replace(sale.outlook, chances=sale.outlook.chances.shifted(-stood.counted))
    learned = learn(fresh, weeks, terms.enquiries)
    outlook = after(fresh, weeks, learned)
    moved = float(np.exp(learned.worth))
    wider = outlook.sd / sale.outlook.sd if sale.outlook.sd > 0 else 1.0
    value, amount = sale.value, sale.value.amount * moved
    ends = {
        "low": amount * (value.low / value.amount) ** wider,
        "high": amount * (value.high / value.amount) ** wider,
    }
    return replace(
        sale,
        value=value.model_copy(
            update={"amount": round(amount, 2)} | {k: round(v, 2) for k, v in ends.items()}
        ),
        outlook=outlook,
        weeks=weeks,
        learned=learned,
        believed=value.amount,
    )


def _outlook(
    lattice: Lattice, value: Value, model: ValueModel, chances: SaleChances, terms: ShopTerms
) -> Outlook:
    found = [(item.fault, item.severity) for item in (*lattice.findings, *lattice.held) if item.chance >= 1]
    return Outlook(
        chances=chances,
        values=lattice.now * _season(lattice, model, terms),
        month=season_month(terms),
        sd=noise(value),
        levels=chances.slowing(found),
    )


def _season(lattice: Lattice, model: ValueModel, terms: ShopTerms) -> FloatArray:
    """Value by month of the northern year beside that of this month, every fault left in; shape (12,)."""
    rows = model.encode([at_price_level(lattice.machine, terms.price_level)] * 12, range(1, 13))
    faults = [model.fault_column(item.fault) for item in (*lattice.findings, *lattice.held)]
    rows[:, faults] = lattice.row[faults]
    prices = model.value(rows)
    return np.asarray(prices / prices[season_month(terms) - 1])


def route_of(sale: Sale) -> Route | None:
    """Return how the machine may be offered; None while a recall is open."""
    if "recall_open" in sale.safety.must_cure:
        return None
    dead = any(item.fault in NOT_RUNNING for item in sale.lattice.found)
    return "for repair" if sale.safety.must_cure or dead else "working"


def before_offering(sale: Sale) -> str | None:
    """Return what has to be done before the machine may be offered at all; None where nothing has.

    As a working mower every check has to be passed; for repair or parts it is the recall check alone.
    """
    route, gates = route_of(sale), gate_catalogue()
    if route == "working":
        if not sale.safety.unchecked:
            return None
        missing = "; ".join(f"{gates_named([gate])} ({gates[gate].test})" for gate in sale.safety.unchecked)
        return f"Not to be offered as working yet; check first: {missing}. Unmeasured is not passed."
    if "recall" in sale.safety.unchecked:
        return f"Not to be offered in any form before the recall check: {gates['recall'].test}."
    return None


NOT_FOR_SALE = (
    "A recall is open: it may not be sold, offered or given away; claim the maker's free remedy first."
)


def no_listing(sale: Sale, plan: Sequence[WeekPlan]) -> str | None:
    """Return why listing does not pay, where stopping at once is the best plan; None where it pays."""
    if not plan[0].stop:
        return None
    if sale.floor >= plan[0].worth:
        return f"Scrap leaves about {sale.floor:.0f}, as much as a listing is expected to bring."
    return (
        f"Listing costs more than it brings: let it go for about {plan[0].worth:.0f} at once, to a repairer."
    )


def later(sale: Sale, month: int) -> Sale:
    """Return the sale as it would be if it were listed afresh in another month of the northern year."""
    return replace(sale, outlook=replace(sale.outlook, month=month, listed=0))
