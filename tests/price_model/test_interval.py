"""Conformal ranks and the pinball loss, against figures from outside."""

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import mean_pinball_loss

from valuer.price_model.evaluation import coverage, pinball, subgroups
from valuer.price_model.interval import conformal_end, conformal_rank, learn_interval


# Romano, Patterson, Candes 2019: k = ceil((n + 1)(1 - a)), coverage published, rank from memory.
@pytest.mark.parametrize(("n", "rank"), [(19, 18), (9, 9), (8, None)])
def test_conformal_ranks(n: int, rank: int | None) -> None:
    assert conformal_rank(n, 0.1) == rank


def test_the_conformal_end_is_the_score_of_that_rank() -> None:
    scores = np.random.default_rng(1).permutation(np.arange(1.0, 20.0))
    assert conformal_end(scores, 0.1) == 18.0
    assert conformal_end(scores[:8], 0.1) == np.inf


def test_the_rank_does_not_slip_on_floats() -> None:
    """(99 + 1)(1 - .1) is 90 exactly, though not in floats: 100 * (1 - .1) may come out a hair above."""
    assert [conformal_rank(n, miss) for n, miss in ((99, 0.1), (9, 0.3), (199, 0.05))] == [90, 7, 190]


def test_the_conformal_end_covers_at_the_promised_rate() -> None:
    """By hand: of n + 1 exchangeable scores the new one is at most the k-th of the others with chance k / (n + 1)."""
    rng = np.random.default_rng(2)
    scores = rng.normal(size=(20_000, 20))
    inside = [new <= conformal_end(row, 0.1) for row, new in zip(scores[:, :-1], scores[:, -1], strict=True)]
    assert np.mean(inside) == pytest.approx(18 / 20, abs=3 * np.sqrt(0.09 / 20_000))


# y 1 2 3, prediction 0 2 3: derived by hand, (share x 1 + 0 + 0) / 3; scikit-learn as judge.
@pytest.mark.parametrize(("share", "loss"), [(0.1, 0.0333), (0.9, 0.3)])
def test_pinball_loss_by_hand_and_by_scikit_learn(share: float, loss: float) -> None:
    actual, predicted = np.array([1.0, 2.0, 3.0]), np.array([0.0, 2.0, 3.0])
    assert pinball(actual, predicted, share) == pytest.approx(loss, abs=5e-5)
    assert pinball(actual, predicted, share) == pytest.approx(
        mean_pinball_loss(actual, predicted, alpha=share)
    )


@pytest.mark.parametrize("share", [0.05, 0.1, 0.5, 0.9])
def test_pinball_loss_agrees_with_scikit_learn_on_random_numbers(share: float) -> None:
    rng = np.random.default_rng(3)
    actual, predicted = rng.normal(size=300), rng.normal(size=300)
    assert pinball(actual, predicted, share) == pytest.approx(
        mean_pinball_loss(actual, predicted, alpha=share)
    )


def test_pinball_loss_is_least_at_the_quantile() -> None:
    """A proper score: of all constants the sample quantile loses least (Koenker and Bassett 1978, from memory)."""
    actual = np.random.default_rng(4).gamma(2.0, size=2001)
    grid = np.quantile(actual, np.linspace(0.01, 0.99, 99))
    losses = [pinball(actual, np.full_like(actual, end), 0.9) for end in grid]
    assert grid[int(np.argmin(losses))] == pytest.approx(np.quantile(actual, 0.9), rel=0.02)


def test_coverage_counts_both_ends() -> None:
    assert coverage(np.array([1.0, 2.0, 3.0, 4.0]), np.full(4, 2.0), np.full(4, 3.0)) == 0.5


def test_every_sale_is_told_of_in_its_groups() -> None:
    """A new machine, one of six years that does not start, and one of which next to nothing is said."""
    table = pd.DataFrame(
        {
            "drive": ["push", "all_wheel", None],
            "age_years": [0.0, 6.0, np.nan],
            "new_price": [300.0, 900.0, np.nan],
            "tier": ["mid", "premium", None],
            "engine_class": ["mid_ohv", None, "mid_ohv"],
            "no_start": [0, 2, 0],
            "fuel_leak_carb": [0, 1, 1],
            "starter_noise": [0, 1, 0],
        }
    )
    groups = subgroups(table, np.array([250.0, 40.0, 29.0]), ["no_start", "fuel_leak_carb", "starter_noise"])
    told = [{name for name, mask in groups.items() if mask[row]} for row in range(3)]
    assert told == [
        {"drive push", "age 0 to 3", "faults 0", "value 200 to 400", "unknowns 0"},
        {
            "drive all_wheel", "age 6 to 10", "faults 3 to 6", "value 30 to 60", "unknowns 1", "does not start",
            "fuel leak with starter noise",
        },
        {"age unknown", "faults 1 to 3", "value 0 to 30", "unknowns 3 to 9"},
    ]  # fmt: skip


def test_the_width_follows_the_row() -> None:
    """Errors three times as large where nothing is told: the learned scale is about three times as wide there."""
    rng = np.random.default_rng(5)
    inputs = np.column_stack([rng.integers(0, 2, 4000), rng.normal(size=4000)]).astype(float)
    error = rng.normal(size=4000) * np.where(inputs[:, 0] == 1, 0.3, 0.1)
    interval = learn_interval(inputs, 1, error, 0.8)
    told, untold = interval.scale(np.array([[0.0, 0.0], [1.0, 0.0]]))
    assert untold / told == pytest.approx(3.0, rel=0.15)
    # 80 % of a normal lies within 1.2816 standard deviations.
    assert interval.above * told == pytest.approx(1.2816 * 0.1, rel=0.15)
    assert interval.below * untold == pytest.approx(1.2816 * 0.3, rel=0.15)


def test_an_unknown_never_narrows_the_scale() -> None:
    """Where untold rows happened to err less, the scale must not reward leaving a field blank."""
    rng = np.random.default_rng(6)
    inputs = np.column_stack([rng.integers(0, 2, 2000), rng.normal(size=2000)]).astype(float)
    error = rng.normal(size=2000) * np.where(inputs[:, 0] == 1, 0.1, 0.3)
    interval = learn_interval(inputs, 1, error, 0.8)
    level = np.linspace(-2, 2, 50)
    told, untold = (interval.scale(np.column_stack([np.full(50, u), level])) for u in (0.0, 1.0))
    assert (untold >= told - 1e-12).all()


def test_a_field_that_matters_little_still_widens_every_row() -> None:
    """Errors 3 % larger where a rare field is blank: too little for a tree to ask for, enough for the line."""
    rng = np.random.default_rng(7)
    inputs = np.column_stack([rng.random(20_000) < 0.1, rng.random(20_000) < 0.3, rng.normal(size=20_000)])
    size = 0.2 * 1.03 ** inputs[:, 0] * 1.5 ** inputs[:, 1] * np.exp(0.3 * inputs[:, 2])
    interval = learn_interval(inputs.astype(float), 2, rng.normal(size=20_000) * size, 0.8)
    level = np.linspace(-2, 2, 41)
    told, blank = (interval.scale(np.column_stack([np.full(41, u), np.zeros(41), level])) for u in (0.0, 1.0))
    assert (blank > told).all()
    assert np.median(blank / told) == pytest.approx(1.03, abs=0.04)


def test_noughts_too_many_widen_the_interval_by_their_share_only() -> None:
    """3 % of the errors far above: of the rest .1 / .97 lie below the low end and .9 / .97 below the high one.

    Of a normal these are 1.264 deviations below and 1.461 above its middle.
    """
    rng = np.random.default_rng(8)
    error = 0.2 * rng.normal(size=20_000)
    error[rng.random(20_000) < 0.03] = np.log(10.0)
    interval = learn_interval(rng.normal(size=(20_000, 2)), 0, error, 0.8)
    scale = np.median(interval.scale(rng.normal(size=(200, 2))))
    assert interval.below * scale == pytest.approx(1.264 * 0.2, rel=0.06)
    assert interval.above * scale == pytest.approx(1.461 * 0.2, rel=0.06)
    assert interval.held_out == pytest.approx(0.8, abs=0.01)
