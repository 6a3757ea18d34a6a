"""Faults planted in real prices: is a known cut found again, the rare one too?

The data are used cars of one model (asking prices), not mowers: no open data on what a fault takes off a mower's price
was found. What is tested is the method.
"""

import numpy as np
import numpy.typing as npt
import pytest
from sklearn.ensemble import HistGradientBoostingRegressor

from tests.outside.data import Hedonic, cars, design
from valuer.price_model import fit_price_model

CUT = 0.12
SPREAD = 0.09
"""Log sd of the prices about a hedonic model; measured median absolute error 6.2 to 6.8 %, a normal's over .6745."""


def planted(rows: int, seed: int) -> Hedonic:
    """The cars with a fault on so many random rows, each of them 12 % cheaper."""
    data = cars()
    fault = np.zeros(len(data.sales))
    fault[np.random.default_rng(seed).choice(len(fault), rows, replace=False)] = 1
    sales = data.sales.assign(fault=fault, Price=data.sales["Price"] * np.where(fault == 1, 1 - CUT, 1.0))
    return Hedonic(
        sales, data.target, (*data.numeric, "fault"), data.categorical, {**data.signs, "fault": -1}
    )


def found_by_us(data: Hedonic) -> float:
    """The mean effect of the fault, relative."""
    model = fit_price_model(data.sales, data.target, data.numeric, data.categorical, data.signs)
    return float(model.effect(data.sales, "fault", 0, 1).mean())


def found_by_trees(data: Hedonic) -> float:
    """The same by scikit-learn's default boosted trees on the log price."""
    x = design(data, data.sales)
    trees = HistGradientBoostingRegressor(random_state=0).fit(x, np.log(data.sales[data.target]))
    without, having = (trees.predict(x.assign(fault=level)) for level in (0.0, 1.0))
    return float(np.exp(having - without).mean() - 1)


# Measured elsewhere on the same data, mean over seeds: least squares -11.6, -11.7, -11.6, -11.3 % at 286, 72, 29 and 13
# rows; trees alone -11.3, -10.7, -10.4, -4.1.
@pytest.mark.parametrize(("rows", "seeds"), [(286, 2), (72, 2), (29, 3), (13, 6)])
def test_a_planted_fault_is_found_again(rows: int, seeds: int) -> None:
    """Within three standard errors of a mean over so many flagged prices, however few show it."""
    tables = [planted(rows, seed) for seed in range(seeds)]
    ours: npt.NDArray[np.float64] = np.array([found_by_us(table) for table in tables])
    assert ours.mean() == pytest.approx(-CUT, abs=3 * SPREAD / np.sqrt(rows * seeds))
    if rows == 13:
        assert -0.15 <= ours.mean() <= -0.09, "the goal for a fault of 25 records, asked of half as many"
        trees = np.mean([found_by_trees(table) for table in tables])
        assert trees > -0.06, "trees alone shrink a rare fault toward nothing"
        assert abs(ours.mean() + CUT) < abs(trees + CUT)
