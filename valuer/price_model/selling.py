"""How fast a listed machine sells, and for how much: a discrete-time hazard on the weeks of listings.

The chance that it sells in a week, given that it has not yet, is logistic in log(ask / worth) and its
positive part, in how far the least the seller takes comes near the limits of buyers, in the month, in the
weeks listed and in a few faults. A listing that was still open or was withdrawn counts for the weeks it
stood: censored, not dropped. What a sale brings lies between the least and the ask: a second logistic curve
gives the chance that it reaches any price between the two.

The worth is not known, only a value with a range. Part of that range is luck between buyers, part is doubt
about the machine and the place, which stays with a listing for all its weeks: one that stands for long was
valued too high. So the likelihood of a listing is averaged over that doubt (a shared normal effect on log
worth, by EM over quadrature nodes), and the share of the range that is doubt is fitted too. What is kept are
numbers; predicting takes numpy alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import EllipsisType
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from valuer.price_model.listing_table import SLOWING, Listings, read_listings, slowing_levels

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
Column = Floats | float
Place = int | EllipsisType

TERMS = (
    "always",
    "ask",
    "ask_above",
    "least_above",
    "year_sin",
    "year_cos",
    "year_sin2",
    "year_cos2",
    "no_start_sin",
    "no_start_cos",
    "weeks",
    "weeks_late",
    *SLOWING,
)
REACH_TERMS = (
    "always",
    "price_above",
    "least_above",
    "off",
    "off_little",
    "year_sin",
    "year_cos",
    "weeks",
    "no_start",
)
LATE = 4.0  # weeks after which a listing may be stale
FEW_BELOW = 0.30  # log below the worth where hardly a visitor has his limit: a lower least brings nobody more

NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
"""Five points of Gauss and Hermite for a standard normal doubt."""

OFF, OFF_LITTLE = 0.15, 0.05  # log below the ask within which buyers differ in what they want off
PLACES, PLACE_WEIGHTS = (
    (np.polynomial.legendre.leggauss(5)[0] + 1) / 2,
    np.polynomial.legendre.leggauss(5)[1] / 2,
)
"""Five places between the least (0) and the ask (1), and their weights, by Gauss and Legendre."""

EDGE = (0.01, 0.99)
PENALTY, TINY = 0.25, 1e-9  # inverse strength of the ridge, by standard deviations: a dozen sales' worth
ROUNDS, CLOSE = 60, 2e-5  # EM stops when the log likelihood a listing gains less
FIRST_DOUBT = 0.15  # log sd from which EM starts


@dataclass(frozen=True)
class SellingModel:
    """Coefficients of the two curves, and what they were fitted on.

    hazard, reach: coefficient by name of TERMS and REACH_TERMS. ask_range, least_range: log ratios to the
    value that the listings cover (1 to 99 %). doubt: usual log sd of the worth round the value; usual_sd: of
    a sale price round it, for machines that run and that do not. log_odds: shift of the weekly chance by own
    listings, 0 without.
    """

    hazard: Mapping[str, float]
    reach: Mapping[str, float]
    ask_range: tuple[float, float]
    least_range: tuple[float, float]
    doubt: float
    usual_sd: tuple[float, float]
    listings: int
    log_odds: float = 0.0

    def weeks(
        self, ask: Floats, month: Floats, week: Floats, faults: Mapping[str, float], worth: Floats
    ) -> ListedWeeks:
        """All that weeks of a listing hold but what the least to take decides, for any number of weeks at once.

        ask: log ratio to the value; month 1 to 12; week 1 is the first; worth: log ratio of the worth to the value;
        all broadcast. faults: level .5 or 1 by the names of SLOWING.
        """
        ask = np.clip(ask, *self.ask_range) + np.zeros(np.broadcast_shapes(month.shape, week.shape))
        known = columns(ask - worth, month, week, faults)
        return ListedWeeks(
            self, ask, worth, -self.log_odds - _sum(self.hazard, known), -_sum(self.reach, known)
        )

    def doubt_of(self, sd: float, faults: Mapping[str, float]) -> float:
        """Log sd of the worth round the value of a machine whose price range stands for this log sd."""
        runs, dead = self.usual_sd
        return self.doubt * sd / (dead if faults.get("no_start", 0.0) > 0 else runs)

    def slowing(self, faults: Sequence[tuple[str, str]]) -> dict[str, float]:
        """How much these (fault, severity) pairs slow a sale, as `weeks` takes it."""
        return slowing_levels(faults)

    def shifted(self, log_odds: float) -> SellingModel:
        """The same curves where machines sell faster (above 0) or slower than in the listings."""
        return replace(self, log_odds=self.log_odds + log_odds)


@dataclass(frozen=True)
class ListedWeeks:
    """Weeks of a listing whose asks are known; the least to take is told later, for it hangs on the weeks behind.

    ask, worth: log ratios to the value. against, short: log odds against a sale, and against a price as high as a
    place, but for what the least does to them. What is asked for ``at`` a place of the first axis is one week of them.
    """

    model: SellingModel
    ask: Floats
    worth: Floats
    against: Floats
    short: Floats

    def chance(self, least: Floats, at: Place = ...) -> Floats:
        """Chance of a sale in a week. least: log ratio to the value, at most the ask; broadcasts.

        A ratio outside the observed range is clipped to it. A higher ask or least never raises the chance: no
        slope is above zero.
        """
        return self._chance(_above(self._seen(least), self.worth), at)

    def sold(self, least: Floats, at: Place = ...) -> tuple[Floats, Floats]:
        """The same, and where the price of a sale lies: least + share * (ask - least)."""
        ask, least, slopes = self.ask[at], self._seen(least), self.model.reach
        least_above = _above(least, self.worth)
        price = _prices_between(least, ask, np.broadcast(least_above, ask).ndim)
        off = ask - price
        here = self.short[at] - slopes["off"] * np.minimum(off, OFF)
        here -= slopes["off_little"] * np.minimum(off, OFF_LITTLE)
        short = _above(price, self.worth)
        short *= -slopes["price_above"]
        short += here
        short -= slopes["least_above"] * least_above
        share = PLACE_WEIGHTS @ _unless(short).reshape(len(PLACES), -1)
        return self._chance(least_above, at), share.reshape(short.shape[1:])

    def _seen(self, least: Floats) -> Floats:
        """The nearest that the listings have."""
        low, high = self.model.least_range
        return np.asarray(np.minimum(np.maximum(least, low), high))

    def _chance(self, least_above: Floats, at: Place) -> Floats:
        return _unless(np.asarray(self.against[at] - self.model.hazard["least_above"] * least_above))


def _sum(coefficients: Mapping[str, float], known: Mapping[str, Column]) -> Floats:
    """Sum of coefficient times column, of those that are known; small ones first: what they share is added up once."""
    parts = [slope * known[name] for name, slope in coefficients.items() if name in known]
    return np.asarray(sum(sorted(parts, key=np.size)))


def _unless(against: Floats) -> Floats:
    """Chance of what has these log odds against it: 1 / (1 + exp(against)), written over them."""
    odds = np.exp(np.minimum(against, 40.0, out=against), out=against)
    odds += 1.0
    return np.reciprocal(odds, out=odds)


def _above(price: Floats, worth: Column) -> Floats:
    """By how much a price exceeds what hardly a visitor has for his limit, squared; both as logs."""
    above = np.asarray(price - (worth - FEW_BELOW))
    np.maximum(above, 0.0, out=above)
    return np.multiply(above, above, out=above)


def _prices_between(least: Floats, ask: Floats, dimensions: int) -> Floats:
    """Prices at PLACES between the two as logs, the places as an axis before that many others."""
    low, place = np.exp(least), PLACES.reshape(-1, *(1,) * dimensions)
    return np.asarray(np.log(low + place * (np.exp(ask) - low)))


def columns(ask: Floats, month: Floats, week: Floats, faults: Mapping[str, Any]) -> dict[str, Column]:
    """The columns of both curves by name, but those of the least and of a place; ask as log ratio to the worth."""
    turn = 2.0 * np.pi * np.asarray(month, dtype=float) / 12.0
    dead = faults.get("no_start", 0.0)
    sin, cos = np.sin(turn), np.cos(turn)
    return {
        "always": 1.0,
        "ask": ask,
        "ask_above": np.maximum(ask, 0.0),
        "year_sin": sin,
        "year_cos": cos,
        "year_sin2": np.sin(2 * turn),
        "year_cos2": np.cos(2 * turn),
        "no_start_sin": dead * sin,
        "no_start_cos": dead * cos,
        "weeks": np.log(week),
        "weeks_late": np.maximum(np.asarray(week, dtype=float) - LATE, 0.0) / LATE,
        **{name: faults.get(name, 0.0) for name in SLOWING},
    }


def fit_selling_model(listings: pd.DataFrame) -> SellingModel:
    """Fit both curves. listings: one row a week that a machine was listed, with the columns of COLUMNS.

    Raises ListingError with the column and row, or when there are too few sales to learn from.
    """
    rows = read_listings(listings)
    ask_range, least_range = _range(rows.ask), _range(rows.least)
    rows = replace(rows, ask=np.clip(rows.ask, *ask_range), least=np.clip(rows.least, *least_range))
    usual = rows.usual_sd()
    rows = replace(rows, sd=rows.sd / np.where(rows.faults["no_start"] > 0, usual[1], usual[0]))
    hazard, doubt, weight = _expect_and_fit(rows)
    return SellingModel(
        hazard=hazard,
        reach=_reach(rows, doubt, weight),
        ask_range=ask_range,
        least_range=least_range,
        doubt=doubt,
        usual_sd=usual,
        listings=rows.count,
    )


def _range(ratio: Floats) -> tuple[float, float]:
    low, high = np.quantile(ratio, EDGE)
    return float(low), float(high)


def _at_nodes(rows: Listings, doubt: float) -> dict[str, Floats]:
    """Columns with every row once for each node of its doubt, node by node; shape (nodes * n_rows,) each."""
    worth = np.concatenate([node * doubt * rows.sd for node in NODES])
    every = {name: np.tile(part, len(NODES)) for name, part in rows.faults.items()}
    ask, least, month, week = (np.tile(x, len(NODES)) for x in (rows.ask, rows.least, rows.month, rows.week))
    known = columns(ask - worth, month, week, every)
    known |= {"least": least - worth, "least_above": _above(least - worth, 0.0)}
    return {name: np.broadcast_to(column, worth.shape) for name, column in known.items()}


def _expect_and_fit(rows: Listings) -> tuple[dict[str, float], float, Floats]:
    """EM: weigh the nodes of every listing by how well they explain it, fit with those weights, and again.

    A slope that would let a dearer machine sell sooner is taken out and the rest fitted again. Returns
    coefficients, the share of doubt, and the weights of the nodes, shape (nodes, n_rows).
    """
    weight = np.repeat(WEIGHTS[:, None], len(rows.ask), axis=1)
    fitted: dict[str, float] = {}
    doubt, held, before = FIRST_DOUBT, frozenset[str](), np.inf
    while True:
        for _ in range(ROUNDS):
            known = _at_nodes(rows, doubt)
            names = [name for name in TERMS if name not in held]
            fitted = _fit(names, TERMS, known, weight * rows.sold, weight * ~rows.sold)
            chance = _unless(-_sum(fitted, known)).reshape(weight.shape)
            weight, log_likelihood = _posterior(rows, chance)
            doubt *= float(np.sqrt(rows.mean_over_listings(NODES**2 @ weight)))
            if abs(log_likelihood - before) < CLOSE:
                break
            before = log_likelihood
        rising = _rising(fitted) - held
        if not rising:
            return fitted, doubt, weight
        held |= rising


def _posterior(rows: Listings, chance: Floats) -> tuple[Floats, float]:
    """Chance of each node given its whole listing, shape (nodes, n_rows); and log likelihood a listing."""
    log_likelihood = np.where(rows.sold, np.log(chance), np.log1p(-chance))
    total = rows.sum_over_listing(log_likelihood) + np.log(WEIGHTS)[:, None]
    weight = np.exp(total - total.max(axis=0))
    whole = total.max(axis=0) + np.log(weight.sum(axis=0))
    return weight / weight.sum(axis=0), rows.mean_over_listings(whole)


def _rising(fitted: Mapping[str, float]) -> frozenset[str]:
    """Terms with which a dearer ask or least would sell sooner."""
    slopes = {
        "ask": fitted["ask"],
        "ask_above": fitted["ask"] + fitted["ask_above"],
        "least_above": fitted["least_above"],
    }
    return frozenset(name for name, slope in slopes.items() if slope > 0)


def _reach(rows: Listings, doubt: float, weight: Floats) -> dict[str, float]:
    """Fit the chance that a sale reaches a price: each sale with room to haggle counts at every place."""
    room = np.tile(rows.sold & rows.room, len(NODES))
    known = {name: column[room] for name, column in _at_nodes(rows, doubt).items()}
    up, counts = np.tile(rows.up, len(NODES))[room], weight.ravel()[room]
    price = _prices_between(known["least"], known["ask"], 1)
    off = known["ask"] - price
    known |= {
        "price_above": _above(price, 0.0),
        "off": np.minimum(off, OFF),
        "off_little": np.minimum(off, OFF_LITTLE),
    }
    stacked = {name: np.broadcast_to(known[name], price.shape).ravel() for name in REACH_TERMS}
    reached, share = (up >= PLACES[:, None]).ravel(), (PLACE_WEIGHTS[:, None] * counts).ravel()
    return _fit(REACH_TERMS, REACH_TERMS, stacked, share * reached, share * ~reached)


def _fit(
    names: Sequence[str], every: Sequence[str], known: Mapping[str, Floats], yes: Floats, no: Floats
) -> dict[str, float]:
    """Logistic regression on rows that count `yes` times for and `no` times against; coefficients by name."""
    from sklearn.linear_model import LogisticRegression

    slopes = [name for name in names if name != "always"]
    X = np.column_stack([known[name] for name in slopes])
    scale = np.maximum(X.std(axis=0), TINY)  # the ridge weighs all columns alike
    count, target = np.concatenate([yes.ravel(), no.ravel()]), np.repeat([1, 0], len(X))
    used = count > 0
    fit = LogisticRegression(C=PENALTY, solver="newton-cholesky", tol=1e-6)
    fit.fit(np.concatenate([X, X])[used] / scale, target[used], sample_weight=count[used])
    found = dict(zip(slopes, (float(b) for b in fit.coef_[0] / scale), strict=True))
    return dict.fromkeys(every, 0.0) | found | {"always": float(fit.intercept_[0])}
