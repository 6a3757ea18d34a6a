"""The method of the price model on the sales of the second market, beside its rivals and its own base."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.linear_model import LinearRegression

from tests.benchmark.figures import Figure, at_least, at_most
from tests.benchmark.second_market import NOISE, draw_machines, shifted
from tests.benchmark.trained import BASIS, N_TEST, Floats, as_dummies, as_numbers
from valuer.domain.machine import Machine
from valuer.price_model.fit import PriceModel
from valuer.price_model.mower import CATEGORICAL, NUMERIC, model_table, train_mower_model

SALES = (20_000, 2_000)
"""Sales of the other market that are trained on: far more than anybody has, and what a busy trader may have."""

OTHER_COLUMNS = (
    "tier", "drive", "age_years", "new_price", "looks", "engine_class", "start", "deck_material", "deck_width_in",
)  # fmt: skip


def other_sales(n: int, place: int, draw: int = 0) -> tuple[list[Machine], pd.DataFrame, Floats]:
    """Machines sold in the second market of seed ``place``, as a table, and their true mean log price.

    It shares no formula with ours. ``draw``: other machines of the same market.
    """
    market, machines = shifted(place), draw_machines(n, (place, n, draw))
    rng = np.random.default_rng((place, n, draw, 1))
    month = rng.integers(1, 13, n)
    true = np.array([market.log_price(m, m.faults, int(at)) for m, at in zip(machines, month, strict=True)])
    table = pd.DataFrame([{c: getattr(m, c) for c in OTHER_COLUMNS} for m in machines])
    table = table.reindex(columns=[*CATEGORICAL, *NUMERIC]).astype(dict.fromkeys(NUMERIC, float))
    table["month"], table["faults"] = month, [";".join(map(str, m.faults)) for m in machines]
    table["price"] = np.exp(true + NOISE * rng.normal(size=n))
    return machines, table, true


def other_cures(seed: int, n: int = 1500) -> tuple[pd.DataFrame, pd.DataFrame, Floats]:
    """Fresh machines of the second market before and after each of their faults is cured alone, and the true gain."""
    market, month = shifted(seed), 5
    machines, table, _ = other_sales(n, seed, 2)
    before, after, gain = [], [], []
    for row, one in enumerate(machines):
        for cured in one.faults:
            left = [f for f in one.faults if f is not cured]
            gain.append(
                np.exp(market.log_price(one, left, month)) - np.exp(market.log_price(one, one.faults, month))
            )
            before.append(row)
            after.append(";".join(map(str, left)))
    table["month"] = month
    old = table.iloc[before].reset_index(drop=True)
    return model_table(old), model_table(old.assign(faults=after)), np.array(gain)


def other_market(seed: int) -> dict[str, float]:
    """How the same method does on 20,000 and 2,000 sales of the second market, beside rivals and its own base."""
    found: dict[str, float] = {}
    _, test, true = other_sales(N_TEST, seed, 1)
    test = model_table(test)
    cures = other_cures(seed)

    def judge(log_value: Callable[[pd.DataFrame], Floats]) -> tuple[float, float]:
        old, new, gain = cures
        miss = np.exp(log_value(new)) - np.exp(log_value(old)) - gain
        apart = log_value(test) - true
        return float(np.sqrt(NOISE**2 + np.mean(apart**2)) / NOISE), float(np.abs(miss).mean() / gain.mean())

    for n in SALES:
        sales = other_sales(n, seed)[1]
        model = train_mower_model(sales, BASIS).price_model
        base = replace(model, trees=None)
        table = model_table(sales)
        y = np.log(table["price"].to_numpy())
        trees = HistGradientBoostingRegressor(random_state=0).fit(as_numbers(table, table), y)
        line = LinearRegression().fit(np.nan_to_num(as_dummies(table, table)), y)
        ways: dict[str, Callable[[pd.DataFrame], Floats]] = {
            "model": of_model(model),
            "base": of_model(base),
            "trees": partial(of_rival, trees, as_numbers, table),
            "line": partial(of_rival, line, as_dummies, table),
        }
        for name, way in ways.items():
            found[f"{name}_{n}"], found[f"{name}_cost_{n}"] = judge(way)
        found[f"pools_{n}"] = float(len(getattr(model.base, "pools", ())))
    return found


def of_model(model: PriceModel) -> Callable[[pd.DataFrame], Floats]:
    """Log price of a table by a fitted model."""
    return lambda table: model.log_value(model.rows(table))


def of_rival(fitted: Any, columns: Callable[..., Floats], like: pd.DataFrame, table: pd.DataFrame) -> Floats:
    """Log price of a table by a fitted rival that sees these columns."""
    seen = columns(table, like)
    return np.asarray(fitted.predict(np.nan_to_num(seen) if columns is as_dummies else seen))


def other_figures(o: dict[str, float]) -> Iterator[Figure]:
    """One line a figure of the second market."""
    for n, goal in zip(SALES, (1.06, 1.15), strict=True):
        yield at_most(f"second market, {n:,} sales: RMSE / floor", o[f"model_{n}"], goal)
        note = f" (least squares {o[f'line_cost_{n}']:.3f}, default trees {o[f'trees_cost_{n}']:.3f})"
        rival = min(o[f"line_cost_{n}"], o[f"trees_cost_{n}"])
        yield at_most(
            f"second market, {n:,} sales: fault cost error", o[f"model_cost_{n}"], round(rival, 3), note=note
        )
        yield at_least(
            f"second market, {n:,} sales: error of the base alone / with the boosting",
            o[f"base_{n}"] / o[f"model_{n}"],
            1.02,
        )
