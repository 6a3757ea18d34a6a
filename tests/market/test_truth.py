"""The truth behind a record is calibrated: prices scatter round it as it says they do."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from tests.market.faithful import faithful
from valuer.market.assumptions import assumptions
from valuer.market.buyers import Buyers
from valuer.market.sales import draw_sales, recorded_severity
from valuer.market.stock import Stock
from valuer.market.truth import Truth, truth_of

Floats = npt.NDArray[np.float64]
A = assumptions()
N, DRAWS = 2000, 200


class Judged(NamedTuple):
    """Sales, their truth, and the prices they brought."""

    stock: Stock
    table: pd.DataFrame
    truth: Truth
    log_price: Floats


@pytest.fixture(scope="module")
def judged() -> Judged:
    """Sales of one seed judged by draws of another."""
    stock, table = draw_sales(N, 32)
    truth = truth_of(table, recorded_severity(table["faults"].tolist(), A.fault_ids), 1, draws=DRAWS)
    return Judged(stock, table, truth, np.log(table["price"].to_numpy(dtype=float)))


@pytest.fixture(scope="module")
def below(judged: Judged) -> Floats:
    """The share of sales like each that end below the price it brought."""
    return judged.truth.share_below(judged.log_price)


def test_prices_rise_one_for_one_with_the_truth(judged: Judged) -> None:
    """Regression of log price on truth: slope 1, mean error 0, within three standard errors.

    The truth comes from a finite number of draws; their error pulls a slope down by its share of the
    variance.
    """
    x = judged.truth.mean
    slope, level = np.polyfit(x, judged.log_price, 1)
    rest = judged.log_price - slope * x - level
    error = rest.std() / x.std() / np.sqrt(N)
    assert slope == pytest.approx(1.0, abs=3 * error + judged.truth.sampling_variance.mean() / x.var())
    assert np.mean(judged.log_price - x) == pytest.approx(0.0, abs=3 * rest.std() / np.sqrt(N))


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_quantiles_cover_what_they_say(judged: Judged, below: Floats, share: float) -> None:
    """A price is no higher than a quantile where no more than its share end below it.

    Prices are rounded, hence one point besides three standard errors.
    """
    covered = np.mean(below <= share)
    assert covered == pytest.approx(share, abs=3 * np.sqrt(share * (1 - share) / N) + 0.01)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_below_a_quantile_end_as_many_as_it_says(judged: Judged, share: float) -> None:
    few = judged.table.iloc[:40]
    truth = truth_of(few, judged.stock.severity[:40], 4, draws=50)
    assert truth.share_below(truth.quantile(share)) == pytest.approx(share, abs=1e-6)


def test_the_truth_is_right_in_every_corner(judged: Judged) -> None:
    """Dead, many faults, age unknown, the rest: no mean error over 3.5 of its own standard errors."""
    recorded = recorded_severity(judged.table["faults"].tolist(), A.fault_ids)
    dead = recorded[:, A.fault_ids.index("no_start")] > 0
    many = (recorded > 0).sum(axis=1) > 5
    unknown = judged.table["age_years"].isna().to_numpy()
    for name, rows in {
        "dead": dead,
        "many": many,
        "unknown age": unknown,
        "rest": ~(dead | many | unknown),
    }.items():
        error = (judged.log_price - judged.truth.mean)[rows]
        assert abs(error.mean()) < 3.5 * error.std() / np.sqrt(len(error)), name


def test_a_record_that_says_everything_leaves_only_the_buyers(judged: Judged) -> None:
    """With nothing left out and nothing wrong the truth is the mean over buyers, exactly."""
    few = judged.stock.take(np.arange(40))
    truth = truth_of(few.attributes, few.severity, 3, draws=60, a=faithful())
    expected = Buyers(assumptions()).outcomes(few).expected_log_price()
    # The class is not on record; it enters by the floor alone, which few of them touch.
    assert np.median(np.abs(truth.mean - expected)) < 0.005
    assert np.max(np.abs(truth.mean - expected)) < 0.1


def test_what_is_left_out_costs_knowledge(judged: Judged) -> None:
    """Variance of log price given the record exceeds that given the machine (law of total variance)."""
    given_machine = Buyers(assumptions()).outcomes(judged.stock).log_price_variance().mean()
    given_record = np.mean((judged.log_price - judged.truth.mean) ** 2)
    assert given_record > given_machine


def test_the_same_seed_gives_the_same_truth(judged: Judged) -> None:
    few = judged.table.iloc[:50]
    one, again = (truth_of(few, judged.stock.severity[:50], 4, draws=50).mean for _ in range(2))
    assert (one == again).all()
