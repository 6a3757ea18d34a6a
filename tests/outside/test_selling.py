"""The mathematics of selling against published figures, open data and another library."""

from typing import Any

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.survfunc import SurvfuncRight

from tests.outside.data import STRIKES, strikes
from valuer.advice.ports import FloatArray
from valuer.advice.sale.waiting import roll_back
from valuer.market.listings import draw_listings
from valuer.price_model.listing_table import read_listings
from valuer.price_model.selling import _fit, fit_selling_model


def test_our_weekly_hazard_gives_the_same_published_table() -> None:
    """With a term for each time, one minus the fitted hazards multiply to Bewick's curve; censored ones count."""
    times, seen = np.array([1, 1, 4, 5, 6, 9, 9, 22]), np.array([1, 1, 1, 1, 0, 1, 0, 1], dtype=bool)
    survival = 1.0
    for time, expected in zip([1, 4, 5, 9], [0.750, 0.625, 0.500, 1 / 3], strict=True):
        at_risk = times >= time
        sold = (times == time) & seen
        known = {"always": np.ones(at_risk.sum()), "none": np.zeros(at_risk.sum())}
        fitted = _fit(
            ["always", "none"], ["always", "none"], known, sold[at_risk] * 1.0, ~sold[at_risk] * 1.0
        )
        survival *= 1 - 1 / (1 + np.exp(-fitted["always"]))
        assert survival == pytest.approx(expected, abs=1e-4)


def test_the_fitted_hazard_follows_kaplan_and_meier_on_the_listings() -> None:
    """Over all listings the model's survival curve and that of statsmodels differ by 3 points in 100 at most.

    The weeks of a listing are simulated from its own nodes of doubt, so the comparison is of the mean curve.
    """
    table = draw_listings(1500, 8)[1]
    model, rows = fit_selling_model(table), read_listings(table)
    last = table.groupby("listing_id").tail(1)
    judge = SurvfuncRight(last["week"].to_numpy(), (last["outcome"] == "sold").to_numpy().astype(int))
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    weights = weights / weights.sum()
    doubt = [
        model.doubt_of(sd, {"no_start": dead})
        for sd, dead in zip(rows.sd, rows.faults["no_start"], strict=True)
    ]
    worth = np.outer(nodes, doubt)
    faults: Any = rows.faults  # arrays where a question has numbers: the formula is the same
    chance = model.weeks(rows.ask, rows.month, rows.week, faults, worth).chance(rows.least)
    order = np.lexsort((rows.week, rows.listing))
    frame = pd.DataFrame(np.log1p(-chance[:, order]).T).groupby(rows.listing[order]).cumsum()
    before = np.exp(frame.to_numpy() - np.log1p(-chance[:, order]).T) * weights
    hazard = (before * chance[:, order].T).sum(axis=1) / before.sum(axis=1)
    for week in (1, 2, 4, 6):
        expected = judge.surv_prob[judge.surv_times == week][0]
        ours = np.prod([1 - hazard[rows.week[order] == w].mean() for w in range(1, week + 1)])
        assert ours == pytest.approx(expected, abs=0.03)


def uniform(low: float, high: float) -> Any:
    """One offer a week, even between low and high; taken from the least on."""

    def sale(week: int, least: FloatArray) -> tuple[FloatArray, FloatArray]:
        least = np.clip(least, low, high)
        return (high - least) / (high - low), (high + least) / 2

    return sale


def test_three_offers_are_worth_what_was_published() -> None:
    """Even offers between 0 and 1, no cost: 1/2, 5/8, 89/128 (published first steps; the last derived)."""
    for weeks, worth in ((1, 1 / 2), (2, 5 / 8), (3, 89 / 128)):
        found = roll_back(np.ones((1, 1)), uniform(0, 1), np.zeros(weeks), np.zeros((weeks + 1, 1)), cuts=0)
        assert found.best == pytest.approx(worth)


def test_the_reservation_price_of_even_offers() -> None:
    """B - sqrt(2 c (b - a)) for offers on [150, 250] that cost 2 each: 230 (from memory; the value derived)."""
    weeks = 400
    asks, left_over = np.array([[250.0]]), np.zeros((weeks + 1, 1))
    found = roll_back(asks, uniform(150, 250), np.full(weeks, 2.0), left_over, cuts=0)
    assert found.standing[1, 0, 0, 0] - 2.0 == pytest.approx(250 - np.sqrt(2 * 2 * 100), abs=1e-6)


def test_our_hazard_by_the_week_follows_the_published_weibull() -> None:
    """Weeks of strikes through our own fit: survival within 5 points of Greene's curve at mean output."""
    days, output = strikes()
    rows = [
        (week, x, float(day <= 7 * week and day < 80))
        for day, x in zip(days, output, strict=True)
        for week in range(1, min(int(np.ceil(day / 7)), 11) + 1)
    ]
    week, x, ended = np.array(rows).T
    known = {"always": np.ones(len(week)), "weeks": np.log(week), "output": x}
    names = ["always", "weeks", "output"]
    fitted = _fit(names, names, known, ended, 1 - ended)
    middle = (np.log(np.arange(1, 12)) * fitted["weeks"] + fitted["always"]) + output.mean() * fitted[
        "output"
    ]
    ours = np.cumprod(1 / (1 + np.exp(middle)))
    times = 7.0 * np.arange(1, 12)
    scale = STRIKES["constant"] + STRIKES["output"] * output.mean()
    theirs = np.exp(-np.exp((np.log(times) - scale) / STRIKES["sigma"]))
    assert ours == pytest.approx(theirs, abs=0.05)
