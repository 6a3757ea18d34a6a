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
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from valuer.price_model.listing_table import SLOWING, Listings, read_listings, slowing_levels

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
Column = Floats | float

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
AT_PLACE = ("price_above", "off", "off_little")
"""Those of them that a price at a place between least and ask has; the others are the same at every place."""
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

    def week(
        self,
        ask: Floats,
        least: Floats,
        month: Floats,
        week: Floats,
        faults: Mapping[str, float],
        worth: Floats,
    ) -> tuple[Floats, Floats]:
        """Chance of a sale in a week, and where its price lies: least + share * (ask - least).

        ask, least: log ratio to the value, least at most ask; month 1 to 12; week 1 is the first; worth: log
        ratio of the worth to the value; all broadcast. faults: level .5 or 1 by the names of SLOWING. Ratios
        outside the observed range are clipped to it. A higher ask or least never raises the chance: no slope
        is above zero.
        """
        ask, least = np.clip(ask, *self.ask_range), np.clip(least, *self.least_range)
        known = columns(ask - worth, least - worth, month, week, faults)
        shape = np.broadcast_shapes(*(np.shape(each) for each in (ask, least, month, week, worth)))
        chance = np.broadcast_to(_logistic(self.log_odds + _sum(self.hazard, TERMS, known)), shape)
        everywhere = _sum(self.reach, [name for name in REACH_TERMS if name not in AT_PLACE], known)
        low, high = np.exp(least), np.exp(ask)
        share: Floats = np.zeros(())
        for place, weight in zip(
            PLACES, PLACE_WEIGHTS, strict=True
        ):  # all at once outgrows the processor's cache
            here = _sum(self.reach, AT_PLACE, _at_place(low, high, ask, worth, place))
            share = share + weight * _logistic(everywhere + here)
        return chance, np.broadcast_to(share, shape)

    def doubt_of(self, sd: float, faults: Mapping[str, float]) -> float:
        """Log sd of the worth round the value of a machine whose price range stands for this log sd."""
        runs, dead = self.usual_sd
        return self.doubt * sd / (dead if faults.get("no_start", 0.0) > 0 else runs)

    def slowing(self, faults: Sequence[tuple[str, str]]) -> dict[str, float]:
        """How much these (fault, severity) pairs slow a sale, as `week` takes it."""
        return slowing_levels(faults)

    def shifted(self, log_odds: float) -> SellingModel:
        """The same curves where machines sell faster (above 0) or slower than in the listings."""
        return replace(self, log_odds=self.log_odds + log_odds)


def _sum(coefficients: Mapping[str, float], names: Sequence[str], known: Mapping[str, Column]) -> Floats:
    """Sum of coefficient times column; small columns first, so that what they share is added up once."""
    parts = [coefficients[name] * known[name] for name in names if coefficients[name]]
    return np.asarray(sum(sorted(parts, key=np.size)))


def _logistic(x: Floats) -> Floats:
    """1 / (1 + exp(-x)), in one array of its own."""
    found = np.asarray(np.negative(x))
    np.minimum(
        np.maximum(found, -40.0, out=found), 40.0, out=found
    )  # as np.clip, in less time for small arrays
    np.exp(found, out=found)
    found += 1.0
    return np.asarray(np.reciprocal(found, out=found))


def columns(
    ask: Floats, least: Floats, month: Floats, week: Floats, faults: Mapping[str, Any]
) -> dict[str, Column]:
    """The columns of both curves by name, but those at a place; ask and least as log ratio to the worth."""
    turn = 2.0 * np.pi * np.asarray(month, dtype=float) / 12.0
    dead = faults.get("no_start", 0.0)
    sin, cos = np.sin(turn), np.cos(turn)
    return {
        "always": 1.0,
        "ask": ask,
        "least": least,
        "ask_above": np.maximum(ask, 0.0),
        "least_above": np.maximum(least + FEW_BELOW, 0.0) ** 2,
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


def _at_place(low: Floats, high: Floats, ask: Floats, worth: Floats, place: float) -> dict[str, Column]:
    """The columns of a price at a place between the least, low (0), and the ask, high (1); ask: its log."""
    price = np.log(low + place * (high - low))
    off = ask - price
    above = np.asarray(price - (worth - FEW_BELOW))
    np.maximum(above, 0.0, out=above)
    np.multiply(above, above, out=above)
    return {"price_above": above, "off": np.minimum(off, OFF), "off_little": np.minimum(off, OFF_LITTLE)}


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
    known = columns(ask - worth, least - worth, month, week, every)
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
            chance = _logistic(_sum(fitted, TERMS, known)).reshape(weight.shape)
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
    none = np.zeros(())
    low, high = np.exp(known["least"]), np.exp(known["ask"])
    places = [{**known, **_at_place(low, high, known["ask"], none, place)} for place in PLACES]
    stacked = {name: np.concatenate([each[name] for each in places]) for name in REACH_TERMS}
    reached = np.concatenate([up >= place for place in PLACES])
    share = np.concatenate([counts * of_place for of_place in PLACE_WEIGHTS])
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
