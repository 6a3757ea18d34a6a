"""Prices of houses and auctions: never much worse than least squares, better where data are many.

Real prices from open data sets, none of them of mowers; what is tested is the method on tables it was not made for.
"""

from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from sklearn.linear_model import LinearRegression

from tests.outside.data import Hedonic, ames, auctions, cars, design, houses
from valuer.price_model import fit_price_model

Floats = npt.NDArray[np.float64]
Valuer = Callable[[Hedonic, pd.DataFrame, pd.DataFrame], Floats]


# --------------------------------------------------------------------------------------- against least squares
def by_least_squares(data: Hedonic, known: pd.DataFrame, asked: pd.DataFrame) -> Floats:
    """Least squares of the log price."""
    both = design(data, pd.concat([known, asked], ignore_index=True))
    x, new = both.iloc[: len(known)], both.iloc[len(known) :]
    return np.asarray(np.exp(LinearRegression().fit(x, np.log(known[data.target])).predict(new)))


def by_us(data: Hedonic, known: pd.DataFrame, asked: pd.DataFrame) -> Floats:
    """Our model; a level it never saw is told as unknown."""
    model = fit_price_model(
        known, data.target, data.numeric, data.categorical, data.signs, logs=data.logs, **data.extra
    )
    seen = {name: asked[name].where(asked[name].isin(known[name].unique())) for name in data.categorical}
    return model.predict(asked.assign(**seen))["value"].to_numpy()


def median_error(value: Valuer, data: Hedonic, n: int, seed: int) -> float:
    """Median absolute error relative to the price on three of five folds of n random rows, the others known."""
    rng = np.random.default_rng(seed)
    rows = data.sales.iloc[rng.permutation(len(data.sales))[:n]].reset_index(drop=True)
    fold = rng.permutation(n) % 5
    errors = [
        np.abs(value(data, rows[fold != k], rows[fold == k]) / rows.loc[fold == k, data.target] - 1)
        for k in range(3)
    ]
    return float(np.median(np.concatenate(errors)))


TABLES = {"auctions": auctions, "houses": houses, "cars": cars, "ames": ames}
SMALL = (
    ("auctions", 50, 3), ("auctions", 141, 4), ("houses", 50, 3), ("houses", 200, 2), ("houses", 546, 2),
    ("cars", 50, 3), ("cars", 200, 2), ("ames", 100, 3), ("ames", 400, 2),
)  # fmt: skip


@cache
def log_ratios(name: str, n: int, seeds: int) -> tuple[float, ...]:
    """Log of our median error over that of least squares on the same rows and folds, one a seed."""
    data = TABLES[name]()
    errors = [
        [median_error(value, data, n, seed) for value in (by_us, by_least_squares)] for seed in range(seeds)
    ]
    return tuple(float(np.log(ours / theirs)) for ours, theirs in errors)


# Measured elsewhere, five folds, log price, median absolute error of least squares / boosted trees alone: auctions
# 5.8 / 6.4, cars 6.8 / 6.2, Ames 6.6 / 6.2, houses 12.7 / 14.1. Trees alone lose 10 % on small data; we must not.
@pytest.mark.parametrize(("name", "n", "seeds"), SMALL)
def test_no_small_table_loses_more_than_three_percent_to_least_squares(name: str, n: int, seeds: int) -> None:
    """The mean over the seeds, less two of its standard errors: medians of so few errors are noisy."""
    logs = np.array(log_ratios(name, n, seeds))
    assert logs.mean() - 2 * logs.std(ddof=1) / np.sqrt(seeds) < np.log(1.03)


def test_small_tables_together_lose_nothing_to_least_squares() -> None:
    assert np.mean([np.mean(log_ratios(*small)) for small in SMALL]) < np.log(1.01)


@pytest.mark.parametrize(("name", "n"), [("cars", 1435), ("ames", 2925)])
def test_above_a_thousand_rows_we_beat_least_squares(name: str, n: int) -> None:
    assert np.mean(log_ratios(name, n, 1)) < 0
