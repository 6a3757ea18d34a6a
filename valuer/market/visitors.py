"""Who comes to see a listed machine and what they would pay: the true weekly chance of a sale and its price.

Visitors come one by one (Poisson); the season, the ask, the faults and the age of the listing decide how
many. Each has a limit of his own, drawn from the kinds of buyer. Most want something off the ask; one who is
told the least the seller takes pays it if he can. The seller deals with the best visitor of the week. All of
it in closed form, so that the best plan of asks is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from valuer.market.assumptions import Assumptions, Floats
from valuer.market.buyers import Buyers
from valuer.market.stock import Stock

Ints = npt.NDArray[np.intp]
MONTHS = 12
NOISES = ("starter_noise", "vibration", "rattle", "rod_knock")
NODES, WEIGHTS = np.polynomial.legendre.leggauss(12)


@dataclass(frozen=True)
class Visitors:
    """The visitors of n machines.

    chance, middle: shape (n, 12, n_kinds), mix of kinds and their mean log limit by month; spread: shape
    (n_kinds,). worth: shape (n, 12), mean log price of a sale. appeal: shape (n,), factor on visits. runs:
    shape (n,).
    """

    chance: Floats
    middle: Floats
    spread: Floats
    worth: Floats
    price_variance: Floats
    appeal: Floats
    runs: npt.NDArray[np.bool_]
    a: Assumptions

    def visits(self, row: Ints, month: Ints, week: Ints, log_ask: Floats, town: Floats) -> Floats:
        """Expected visitors a week who would buy something like it, at this ask; all arguments broadcast.

        month: 1 to 12; week: 1 in the first week of the listing; town: log, how the place differs.
        """
        a = self.a
        demand = a.series("season", "demand")[month - 1]
        demand = demand ** np.where(self.runs[row], 1.0, a("listing", "season_power_fixers"))
        over = log_ask - self.worth[row, month - 1] - town
        over = np.maximum(over, np.log(a("listing", "cheap_enough")))
        fresh = a("listing", "fresh_first_week") * a("listing", "fresh_fades") ** (week - 1.0)
        fresh = np.maximum(fresh, a("listing", "fresh_least"))
        return np.asarray(
            a("listing", "visits")
            * self.appeal[row]
            * demand
            * fresh
            * np.exp(-a("listing", "ask_deters") * over)
        )

    def limit_shift(self, week: Ints) -> Floats:
        """Log by which every limit stands beside the middle of its kind, in this week of the listing."""
        a = self.a
        stale = a("listing", "stale_a_week") * np.maximum(week - a("listing", "stale_after"), 0.0)
        return np.asarray(a("listing", "beside_sales") - np.minimum(stale, a("listing", "stale_most")))

    def can_pay(self, row: Ints, month: Ints, week: Ints, log_price: Floats, town: Floats) -> Floats:
        """Chance that one visitor's limit is at least the price; all arguments broadcast."""
        middle = self.middle[row, month - 1] + (self.limit_shift(week) + town)[..., None]
        z = (middle - np.asarray(log_price)[..., None]) / self.spread
        return np.asarray((self.chance[row, month - 1] * ndtr(z)).sum(axis=-1))

    def would_give(self, share_of_ask: Floats) -> Floats:
        """Chance that one visitor does not want the price below this share of the ask."""
        low, high = self.a("listing", "haggle_least"), self.a("listing", "haggle_most")
        haggler = np.clip((1.0 - share_of_ask - low) / (high - low), 0.0, 1.0)
        full = self.a("listing", "pays_the_ask")
        return np.asarray(full + (1.0 - full) * haggler)

    def week_of(
        self, row: Ints, month: Ints, week: Ints, log_ask: Floats, log_least: Floats, town: Floats
    ) -> tuple[Floats, Floats]:
        """True chance of a sale in one week, and the expected price of that sale; all arguments broadcast.

        log_least: log of the least the seller takes, at most log_ask. The best price exceeds x, between the
        least and the ask, with chance 1 - exp(-visits * P(limit >= x) * P(no more off than to x)); it is
        integrated over x.
        """
        row, month, week, log_ask, log_least, town = np.broadcast_arrays(
            row, month, week, log_ask, log_least, town
        )
        visits = self.visits(row, month, week, log_ask, town)
        sold = -np.expm1(-visits * self.can_pay(row, month, week, log_least, town))
        ask, least = np.exp(log_ask), np.exp(log_least)
        above = np.zeros_like(sold)
        for node, weight in zip(NODES, WEIGHTS, strict=True):
            x = least + (ask - least) * (node + 1.0) / 2.0
            pays = self.can_pay(row, month, week, np.log(x), town) * self.would_give(x / ask)
            above += weight / 2.0 * -np.expm1(-visits * pays)
        price = least + (ask - least) * above / np.maximum(sold, 1e-12)
        return sold, np.asarray(price)


def visitors_of(stock: Stock, a: Assumptions) -> Visitors:
    """The visitors of each machine, month by month."""
    buyers = Buyers(a)
    objections = buyers.objections(stock.severity)
    months = [
        buyers.outcomes_of(Stock(stock.attributes.assign(month=month), stock.severity), objections)
        for month in range(1, MONTHS + 1)
    ]
    return Visitors(
        chance=np.stack([m.chance for m in months], axis=1),
        middle=np.stack([m.middle for m in months], axis=1),
        spread=np.sqrt(months[0].spread ** 2 - a("bargain", "town_log_sd") ** 2),
        worth=np.stack([m.expected_log_price() for m in months], axis=1),
        price_variance=np.stack([m.log_price_variance() for m in months], axis=1),
        appeal=_appeal(stock, a),
        runs=objections.runs,
        a=a,
    )


def _appeal(stock: Stock, a: Assumptions) -> Floats:
    """Factor on visits from what a buyer hears, sees and misses, beside the price; shape (n,)."""

    def half_levels(*faults: str) -> Floats:
        columns = [a.fault_ids.index(fault) for fault in faults]
        return np.asarray(stock.severity[:, columns].max(axis=1) / 2.0)

    slower = a("listing", "noise_slows") ** half_levels(*NOISES) * a("listing", "smoke_slows") ** half_levels(
        "smoke_blue"
    )
    slower = slower * a("listing", "no_bag_slows") ** half_levels("bag_missing")
    slower = slower * a("listing", "no_start_slows") ** half_levels("no_start")
    dear = stock.attributes["tier"].isin(["premium", "commercial"]).to_numpy()
    return np.asarray(np.where(dear, 1.0 / a("listing", "dear_tier_speeds"), 1.0) / slower)
