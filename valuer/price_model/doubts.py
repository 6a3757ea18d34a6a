"""What looks odd in a file of sales before a model is trained on it: prices nobody can have paid, another money.

The yardstick is the shipped model: it knows no other market's level, but what a machine is worth beside another roughly
anywhere. Prices of new machines, which would be in the file's own money, are not shown to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from valuer.price_model.design import Floats
from valuer.price_model.mower import MowerModel, model_table
from valuer.price_model.troubles import Trouble

ABSURD, SPREADS = 8.0, 4.5
"""A price is doubted from so many times, and so many spreads of the file's own prices, away from what its machine
should bring: a nought too many or lost, next to nothing from a friend (judgement, no source)."""

COUNTS = 0.02
"""How much a doubted sale counts beside another."""

OTHER_MONEY = 3.0
"""From so many times the invented market's prices on it is told that the level is another (judgement, no source)."""

FEWEST = 20
"""Sales below which nothing is held against the rest of them."""


@dataclass(frozen=True)
class Doubts:
    """What is odd about a file's prices, and how much each of its rows counts, shape (n,)."""

    found: tuple[Trouble, ...]
    counts: Floats

    @property
    def any(self) -> bool:
        """Whether a row is doubted."""
        return bool((self.counts < 1.0).any())


def doubts(sales: pd.DataFrame, usual: MowerModel | None) -> Doubts:
    """Hold each price against what the shipped model makes of its machine, at the file's own level.

    sales: as read from the file, indexed by its rows. usual: the shipped model; without it nothing is doubted.
    """
    counts = np.ones(len(sales))
    if usual is None or len(sales) < FEWEST:
        return Doubts((), counts)
    model = usual.price_model
    table = model_table(sales.assign(new_price=np.nan))
    apart = np.log(table["price"].to_numpy()) - model.log_value(model.rows(table))
    level = float(np.median(apart))
    spread = float(np.median(np.abs(apart - level))) / 0.6745
    far = np.abs(apart - level)
    odd = far > max(np.log(ABSURD), SPREADS * spread)
    counts[odd] = COUNTS
    worst = [place for place in np.argsort(-far) if odd[place]]
    rows, prices = sales.index, sales["price"].to_numpy()
    found = [_doubted(int(rows[place]), prices[place], apart[place] - level) for place in worst]
    if abs(level) > np.log(OTHER_MONEY):
        found.append(
            Trouble(
                "level",
                f"its prices stand at {np.exp(level):.2g} times those of the invented market: another money or another "
                f"time? Ask with the price level {np.exp(level):.2g}, so that parts, hours and fees are in that money "
                "too",
            )
        )
    return Doubts((*found, *_new_prices(sales)), counts)


def _doubted(row: int, price: float, log_times: float) -> Trouble:
    times = np.exp(abs(log_times))
    much = f"{times:,.0f} times" if log_times > 0 else f"one part in {times:,.0f} of"
    return Trouble(
        "price",
        f"row {row}, price {price:g}: {much} what the file's other prices make of such a machine; doubted, so it "
        "counts for next to nothing; correct it, or take the row out",
        row,
    )


def _new_prices(sales: pd.DataFrame) -> list[Trouble]:
    """Prices of new machines in another money than what the used ones were sold for."""
    said = sales[sales["new_price"].notna()]
    dearer = int((said["price"] > said["new_price"]).sum())
    if len(said) < FEWEST or dearer <= len(said) / 2:
        return []
    return [
        Trouble(
            "new_price",
            f"column new_price: in {dearer} of {len(said)} rows the used machine was sold for more than a new one "
            "costs: another money or another time? Give both in one money, or leave the column empty",
        )
    ]
