"""Machines drawn by the thousand are priced at what such bring, and own sales are held against that price."""

from datetime import date

import numpy as np
import pytest

from tests.advice.make import terms
from tests.benchmark.machines import as_recorded
from valuer.advice.worth.lattice import is_barred
from valuer.adviser import Adviser
from valuer.domain.findings import findings
from valuer.domain.machine import Machine
from valuer.learning import OwnRecords
from valuer.market.assumptions import assumptions
from valuer.market.buyers import Buyers
from valuer.market.sales import draw_sales
from valuer.price_model.mower import MowerModel
from valuer.price_model.own_sales import OwnSale, evidence
from valuer.records.entries import Book, MachineEntry, Sale

SEED = 5501
MANY = 3000


@pytest.fixture(scope="module")
def sold() -> tuple[list[Machine], list[int], np.ndarray]:
    """Machines as their records have them, but for how far they were shown tested; month and price of each sale."""
    stock, table = draw_sales(MANY, SEED)
    price = np.exp(Buyers(assumptions()).outcomes(stock).draw(np.random.default_rng([SEED, 1])))
    rows = table.to_dict("records")
    return [as_recorded(row, place) for place, row in enumerate(rows)], table["month"].tolist(), price


@pytest.fixture(scope="module")
def priced(sold: tuple[list[Machine], list[int], np.ndarray], mower_model: MowerModel) -> np.ndarray:
    """The value of each in the month of its sale."""
    machines, months, _ = sold
    amount, when = np.zeros(MANY), np.array(months)
    for month in range(1, 13):
        here = np.flatnonzero(when == month)
        asked = [machines[place] for place in here]
        told = Adviser(mower_model).value(asked, terms(month=month)).valuations
        amount[here] = [each.value.amount for each in told]
    return amount


@pytest.mark.parametrize("kind", ["all", "runs", "does not start", "cheap", "dear"])
def test_such_machines_bring_what_they_are_priced_at(
    kind: str, sold: tuple[list[Machine], list[int], np.ndarray], priced: np.ndarray
) -> None:
    """Within some percent, in the mean of logs; a sale is off by .4, the mean of the 370 that do not start by .02."""
    machines, _, price = sold
    dead = np.array([any(f.fault == "no_start" for f in machine.faults) for machine in machines])
    cheap = priced < np.median(priced)
    here = {"all": dead | ~dead, "runs": ~dead, "does not start": dead, "cheap": cheap, "dear": ~cheap}[kind]
    off = float(np.log(priced[here] / price[here]).mean())
    assert abs(off) < 0.06, f"priced {off:+.0%} off"


def test_own_sales_are_held_against_the_price_that_was_told(
    sold: tuple[list[Machine], list[int], np.ndarray], priced: np.ndarray, mower_model: MowerModel
) -> None:
    """Else sales that come just as told would teach something. One that may not be sold is worth its scrap."""
    machines, months, price = sold
    own = [
        OwnSale(machine, month, float(each))
        for machine, month, each in zip(machines, months, price, strict=True)
    ]
    held_against = price / np.exp(evidence(mower_model, own).residual)
    free = np.array([not any(map(is_barred, findings(machine))) for machine in machines])
    assert free.mean() > 0.9
    np.testing.assert_allclose(held_against[free], priced[free], rtol=1e-3, atol=0.01)


@pytest.mark.parametrize("count", [3, 20, 60])
def test_sales_that_come_just_as_told_teach_nothing_but_that_the_place_is_known(
    count: int, sold: tuple[list[Machine], list[int], np.ndarray], mower_model: MowerModel
) -> None:
    """Every value stands as it stood, and every range is narrower: what is told and what is learnt are one price."""
    machines, today, adviser = sold[0], date(2026, 6, 30), Adviser(mower_model)
    told = adviser.value(machines[:count], terms(month=6)).valuations
    entries = tuple(
        MachineEntry(
            machine=machine,
            taken_on=today,
            sale=Sale(sold_on=today, price=each.value.amount, sold_as="working"),
        )
        for machine, each in zip(machines[:count], told, strict=True)
    )
    taught = Adviser(mower_model, OwnRecords(Book(machines=entries), today))
    asked = machines[-60:]
    before, after = ([each.value for each in of.value(asked, terms()).valuations] for of in (adviser, taught))
    for was, now in zip(before, after, strict=True):
        assert now.amount == pytest.approx(was.amount, rel=1e-3, abs=0.02)
        assert now.high / now.low < was.high / was.low
