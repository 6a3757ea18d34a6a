"""Listings as they are recorded, checked at the door and turned into arrays, one row a week."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]

COLUMNS = (
    "listing_id",
    "week",
    "month",
    "ask",
    "least_to_take",
    "value",
    "value_low",
    "value_high",
    "faults",
    "outcome",
    "sale_price",
)
MONEY = ("ask", "least_to_take", "value", "value_low", "value_high")
OUTCOMES = ("open", "sold", "withdrawn")
HALF_80 = 1.2816  # standard normal quantile at .9
LEVELS = {"slight": 0.5, "serious": 1.0}
SLOWING = {
    "no_start": ("no_start",),
    "noise": ("starter_noise", "vibration", "rattle", "rod_knock"),
    "smoke": ("smoke_blue",),
    "no_bag": ("bag_missing",),
}
"""Faults that slow a sale beside what they take off the price (common practice, no source)."""

FEWEST_SALES = 30
LEAST_ROOM = 1.01  # one per cent between least and ask is no room to haggle


class ListingError(ValueError):
    """The listings cannot be learned from; the message says what was expected, what came and what to do."""


@dataclass(frozen=True)
class Listings:
    """n weeks of listings. Each of shape (n,); ask and least are log ratios to the value of that month.

    listing: number of the listing from 0; count: how many; sd: of log price round the value; sold: in this
    week; room, up: whether there was room between least and ask, and how far up in it the sale ended (0 where
    not sold).
    """

    listing: npt.NDArray[np.intp]
    count: int
    week: Floats
    month: Floats
    ask: Floats
    least: Floats
    sd: Floats
    faults: dict[str, Floats]
    sold: npt.NDArray[np.bool_]
    room: npt.NDArray[np.bool_]
    up: Floats

    def usual_sd(self) -> tuple[float, float]:
        """Usual log sd of price round the value (root mean square), of machines that run and that do not."""
        dead = self.faults["no_start"] > 0
        every = float(np.sqrt((self.sd**2).mean()))
        runs, stands = (float(np.sqrt((self.sd[k] ** 2).mean())) if k.any() else every for k in (~dead, dead))
        return runs, stands

    def sum_over_listing(self, by_week: Floats) -> Floats:
        """Sum over all weeks of each row's listing; shape (k, n) in and out."""
        total = np.stack([np.bincount(self.listing, line, self.count) for line in by_week])
        return np.asarray(total[:, self.listing])

    def mean_over_listings(self, by_week: Floats) -> float:
        """Mean of what is the same in all weeks of a listing, each listing counted once; shape (n,) in."""
        weeks = np.bincount(self.listing, minlength=self.count)[self.listing]
        return float((by_week / weeks).sum() / self.count)


def read_listings(table: pd.DataFrame) -> Listings:
    """Check the table and turn it into arrays. Raises ListingError with the column and the first bad row."""
    _check(table)
    ask, least, value, low, high = (table[name].to_numpy(dtype=float) for name in MONEY)
    least = np.minimum(least, ask)
    ids, listing = np.unique(table["listing_id"].to_numpy(dtype=str), return_inverse=True)
    levels = [slowing_levels(_pairs(text)) for text in table["faults"]]
    sold = (table["outcome"] == "sold").to_numpy()
    room = ask > LEAST_ROOM * least
    gap = np.where(room, ask - least, 1.0)
    price = np.where(sold, table["sale_price"].to_numpy(dtype=float), least)
    return Listings(
        listing=listing,
        count=len(ids),
        week=table["week"].to_numpy(dtype=float),
        month=table["month"].to_numpy(dtype=float),
        ask=np.log(ask / value),
        least=np.log(least / value),
        sd=np.log(high / low) / (2 * HALF_80),
        faults={name: np.array([level[name] for level in levels]) for name in SLOWING},
        sold=sold,
        room=room,
        up=np.clip((price - least) / gap, 0.0, 1.0),
    )


def _check(table: pd.DataFrame) -> None:
    missing = [name for name in COLUMNS if name not in table.columns]
    if missing:
        raise ListingError(f"expected the columns {', '.join(COLUMNS)}; missing: {', '.join(missing)}")
    for name in (*MONEY, "week"):
        _refuse(name, ~(table[name].to_numpy(dtype=float) > 0), "a number above 0")
    _refuse("month", ~table["month"].isin(range(1, 13)).to_numpy(), "1 to 12")
    _refuse("outcome", ~table["outcome"].isin(OUTCOMES).to_numpy(), f"one of {', '.join(OUTCOMES)}")
    sold = (table["outcome"] == "sold").to_numpy()
    _refuse(
        "sale_price",
        sold & ~(table["sale_price"].to_numpy(dtype=float) > 0),
        "a number above 0 where it sold",
    )
    if sold.sum() < FEWEST_SALES:
        raise ListingError(
            f"expected at least {FEWEST_SALES} listings that sold, got {sold.sum()}; add listings"
        )


def _refuse(column: str, wrong: npt.NDArray[np.bool_], expected: str) -> None:
    if wrong.any():
        raise ListingError(
            f"listings, column {column}, row {int(wrong.argmax()) + 1}: expected {expected}; mend it"
        )


def _pairs(text: object) -> list[tuple[str, str]]:
    if not isinstance(text, str) or not text:
        return []
    return [
        (fault.strip(), level.strip())
        for fault, _, level in (part.partition(":") for part in text.split(";"))
    ]


def slowing_levels(faults: Sequence[tuple[str, str]]) -> dict[str, float]:
    """Level by the names of SLOWING of a machine with these (fault, severity) pairs.

    >>> slowing_levels([("rattle", "slight"), ("blade_dull", "serious")])["noise"]
    0.5
    """
    return {
        name: max((LEVELS.get(severity, 0.0) for fault, severity in faults if fault in members), default=0.0)
        for name, members in SLOWING.items()
    }
