"""The method on open tables of real prices (none of mowers) that it was not made for, beside least squares."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tests.benchmark.figures import Figure, at_most, within
from tests.outside.data import Hedonic, ames, auctions, cars, houses
from tests.outside.test_houses_and_auctions import by_least_squares
from valuer.price_model import fit_price_model

FOLDS = 5


def many_levels() -> Hedonic:
    """The cars, with the words of each offer as one column: some three hundred levels, most of them seen once."""
    data = cars()
    return replace(data, categorical=(*data.categorical, "Model"))


TABLES = {
    "auctions, 141 rows": auctions,
    "houses, 546 rows": houses,
    "cars, 1,435 rows": cars,
    "the same with a column of 319 levels": many_levels,
    "houses with graded defects, 2,925 rows": ames,
}


def open_tables(seed: int) -> dict[str, dict[str, float]]:
    """By table: our median error over that of least squares, and the coverage of our range; out of five folds."""
    return {name: _judged(make(), seed) for name, make in TABLES.items()}


def _judged(data: Hedonic, seed: int) -> dict[str, float]:
    rows = data.sales.sample(frac=1.0, random_state=seed).reset_index(drop=True)
    fold = np.arange(len(rows)) % FOLDS
    ours, theirs, inside = [], [], []
    for k in range(FOLDS):
        known, asked = rows[fold != k].reset_index(drop=True), rows[fold == k].reset_index(drop=True)
        price = asked[data.target].to_numpy(dtype=float)
        model = fit_price_model(
            known, data.target, data.numeric, data.categorical, data.signs, logs=data.logs
        )
        seen = {name: asked[name].where(asked[name].isin(known[name].unique())) for name in data.categorical}
        told = model.predict(asked.assign(**seen))
        ours.append(np.abs(told["value"].to_numpy() / price - 1))
        theirs.append(np.abs(by_least_squares(data, known, asked) / price - 1))
        inside.append((price >= told["low"].to_numpy()) & (price <= told["high"].to_numpy()))
    medians = [float(np.median(np.concatenate(errors))) for errors in (ours, theirs)]
    return {"error": medians[0] / medians[1], "coverage": float(np.mean(np.concatenate(inside)))}


def open_figures(found: dict[str, dict[str, float]]) -> Iterator[Figure]:
    """Two lines a table."""
    for name, came in found.items():
        yield at_most(f"open table, {name}: median error / least squares", came["error"], 1.05)
        yield within(f"open table, {name}: coverage of the 80 % range, %", 100 * came["coverage"], 76, 84, 1)
