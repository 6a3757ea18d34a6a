"""What was put into sales, or stands in the market without a column of its own, and how much of it is found again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from tests.benchmark.trained import N_TRAIN, Run, known_table
from valuer.domain.faults import fault_catalogue
from valuer.domain.symptoms import raised_when_named
from valuer.market.assumptions import assumptions
from valuer.market.buyers import Buyers
from valuer.market.stock import Stock, can_have
from valuer.price_model.fit import PriceModel, fit_price_model
from valuer.price_model.mower import CATEGORICAL, NUMERIC, SEASON

FEW, CUT = 25, 0.12
"""Rows that show a planted rare fault, and what it truly takes off."""

ALONE, TOGETHER = 0.03, 0.006
"""Shares of the rows that show a planted fault of a pair or of a job, and both of them."""

PLANTED = {"pair": ((0.12, 0.12), 0.25), "job": ((0.25, 0.2), -0.2)}
"""Two faults that nobody named: what each takes off alone, and beside the other on top, in logs; in a job the smaller
loss is in the larger. Invented."""


@dataclass(frozen=True)
class Recovered:
    """What was found again of what was planted: the mean effect of a rare fault; of a pair and of a job the shares."""

    rare: float
    pair: float
    job: float


def planted_effects(run: Run, copies: int = 6) -> Recovered:
    """Plant several rare faults, a pair and a job, all of names that nobody has heard of, and fit once on all of it."""
    rng = np.random.default_rng(run.seed)
    rare = [f"planted_{k}" for k in range(copies)]
    flags = {name: rng.permutation(N_TRAIN) < FEW for name in rare}
    log_off = sum(flags.values()) * np.log1p(-CUT)
    for kind, (alone, on_top) in PLANTED.items():
        both = rng.random(N_TRAIN) < TOGETHER
        shown = [both | (rng.random(N_TRAIN) < ALONE) for _ in alone]
        flags |= {f"{kind}_{k}": there for k, there in enumerate(shown)}
        log_off = log_off - sum(off * there for off, there in zip(alone, shown, strict=True))
        log_off = log_off - on_top * np.logical_and(*shown)
    table = run.table.assign(**{name: there.astype(float) for name, there in flags.items()})
    model = refit(table.assign(price=table["price"] * np.exp(log_off)), list(flags))
    sample = run.test.head(500).assign(**dict.fromkeys(flags, 0.0))
    found = np.mean([-model.effect(sample, name, 0.0, 1.0).mean() for name in rare])
    shares = {kind: -_on_top(model, sample, kind) / on_top for kind, (_, on_top) in PLANTED.items()}
    return Recovered(float(found), **shares)


def _on_top(model: PriceModel, sample: pd.DataFrame, kind: str) -> float:
    """Log value of two faults together, beside the sum of both apart; mean over the sample."""
    first, second = f"{kind}_0", f"{kind}_1"
    tables = [
        sample.assign(**{first: a, second: b}) for a, b in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0))
    ]
    none, one, other, both = (model.log_value(model.rows(table)).mean() for table in tables)
    return float(both - one - other + none)


def refit(table: pd.DataFrame, more_flags: list[str]) -> PriceModel:
    """Train as the mower model is trained, with more flags."""
    from valuer.price_model.mower import FIT_OPTIONS, SIGNS  # noqa: PLC0415

    signs = {**SIGNS, **dict.fromkeys(more_flags, -1)}
    numeric = [*NUMERIC, *SEASON, *fault_catalogue(), *more_flags]
    return fit_price_model(table, "price", numeric, CATEGORICAL, signs, **FIT_OPTIONS)


def pair_recovery(run: Run) -> dict[str, tuple[float, float, float]]:
    """For each named pair: share of rows that show it, its extra loss in logs in truth, and by the model."""
    a = assumptions()
    buyers = Buyers(a)
    found = {}
    for pair in a.raw["pair"]:
        i, j = (a.fault_ids.index(f) for f in pair["faults"])
        stock = run.test_stock.take(np.arange(3000))
        bare = stock.severity.copy()
        bare[:, [i, j]] = 0
        able = can_have(stock.attributes, a)[:, [i, j]].all(axis=1) & (
            bare[:, a.fault_ids.index("no_start")] == 0
        )
        stock, bare = stock.take(np.flatnonzero(able)), bare[able]
        extra = np.zeros(2)
        for sign, with_i, with_j in ((1, 0, 0), (-1, 2, 0), (-1, 0, 2), (1, 2, 2)):
            severity = bare.copy()
            severity[:, i], severity[:, j] = with_i, with_j
            one = stock.with_severity(severity)
            true = buyers.outcomes(one).expected_log_price().mean()
            model = run.model.price_model
            extra -= sign * np.array([true, model.log_value(model.rows(known_table(one))).mean()])
        share = float(((run.stock.severity[:, i] > 0) & (run.stock.severity[:, j] > 0)).mean())
        found[pair["name"]] = (share, float(extra[0]), float(extra[1]))
    return found


FOUND_FROM = 0.02
"""Extra loss of a pair in logs below which the share of it that is found says nothing: a fiftieth of the price."""

CROSSED: dict[str, tuple[dict[str, Any], str]] = {
    "looks weigh more on a dearer tier": ({"drive": "rear_variable", "tier": ("mid", "premium")}, "looks"),
    "a bag is missed more on a driven machine": ({"drive": ("push", "front_one_speed")}, "bag_missing"),
    "dirt weighs less out of season": ({"month": (5, 11)}, "dirty"),
}
"""What weighs differently by what a machine is, in the market; the base has no column for any of it."""


def crossed_recovery(run: Run) -> dict[str, tuple[float, float]]:
    """Of what the base has no column for: the difference in logs in truth, and by the model."""
    buyers, model = Buyers(assumptions()), run.model.price_model
    found = {}
    for name, (given, what) in CROSSED.items():
        stock = _running(run.test_stock)
        differ = np.zeros(2)
        for sign, side in ((-1, 0), (1, 1)):
            said = {key: value[side] if isinstance(value, tuple) else value for key, value in given.items()}
            one = replace(stock, attributes=stock.attributes.assign(**said))
            for way, worse in ((-1, False), (1, True)):
                two = _worse(one, what) if worse else one
                true = buyers.outcomes(two).expected_log_price().mean()
                differ += sign * way * np.array([true, model.log_value(model.rows(known_table(two))).mean()])
        found[name] = (float(differ[0]), float(differ[1]))
    return found


def _running(stock: Stock, n: int = 3000) -> Stock:
    """Machines that start, bright, with a bag, clean, of tiers and drives that are sold together."""
    ids = assumptions().fault_ids
    usual = stock.attributes["tier"].isin(["budget", "mid"]) & stock.attributes["drive"].isin(
        ["push", "front_one_speed"]
    )
    stock = stock.take(np.flatnonzero(usual & (stock.severity[:, ids.index("no_start")] == 0))[:n])
    severity = stock.severity.copy()
    severity[:, [ids.index("bag_missing"), ids.index("dirty")]] = 0
    return Stock(stock.attributes.assign(looks="bright"), severity)


def _worse(stock: Stock, what: str) -> Stock:
    """The same machines with scarred looks, or with a serious fault."""
    if what == "looks":
        return replace(stock, attributes=stock.attributes.assign(looks="scarred"))
    severity = stock.severity.copy()
    severity[:, assumptions().fault_ids.index(what)] = 2
    return stock.with_severity(severity)


def law_violations(run: Run, n: int = 20_000) -> int:
    """Pairs of machines that differ in one thing and break a law: a fault adds, worse costs less, older gains.

    A fault that names what a symptom of the machine comes from is no fault more, and not drawn.
    """
    rng = np.random.default_rng(run.seed)
    model = run.model.price_model
    table = run.test.sample(n, replace=True, random_state=run.seed).reset_index(drop=True)
    faults = list(fault_catalogue())
    better, worse = table.copy(), table.copy()
    which = rng.integers(0, 3, n)
    column = rng.integers(0, len(faults), n)
    flags_b, flags_w = better[faults].to_numpy(copy=True), worse[faults].to_numpy(copy=True)
    rows = np.arange(n)
    for symptom, causes in raised_when_named().items():
        names = (flags_b[:, faults.index(symptom)] > 0) & np.isin(column, [faults.index(c) for c in causes])
        column[names] = faults.index(symptom)
    flags_b[rows, column] = np.where(which == 0, 0, np.where(which == 1, 1, flags_b[rows, column]))
    flags_w[rows, column] = np.where(
        which == 0, rng.integers(1, 3, n), np.where(which == 1, 2, flags_w[rows, column])
    )
    better[faults], worse[faults] = flags_b, flags_w
    age = rng.uniform(0, 20, n)
    better["age_years"] = np.where(which == 2, age, table["age_years"].astype(float))
    worse["age_years"] = np.where(which == 2, age + rng.uniform(0, 5, n), table["age_years"].astype(float))
    values = [model.log_value(model.rows(t)) for t in (better, worse)]
    return int((values[1] > values[0] + 1e-9).sum())
