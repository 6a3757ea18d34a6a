"""The model of how listings sell: what it recovers, what it holds to, what it refuses."""

from collections.abc import Mapping
from math import cos, exp, log, pi, sin
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from valuer.market.assumptions import assumptions
from valuer.market.listings import draw_listings
from valuer.price_model.listing_table import SLOWING, ListingError, read_listings
from valuer.price_model.plain import from_bytes, to_bytes
from valuer.price_model.selling import WEIGHTS, SellingModel, _posterior, fit_selling_model


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    """1,500 invented listings."""
    return draw_listings(1500, 77)[1]


@pytest.fixture(scope="module")
def model(table: pd.DataFrame) -> SellingModel:
    return fit_selling_model(table)


def week(
    model: SellingModel, ask: float, least: float, month: int = 5, count: int = 1, worth: float = 0.0
) -> float:
    """Chance of a sale in a week; ask and least as ratio to the value."""
    at, floor, when, which = (np.asarray(x) for x in (np.log(ask), np.log(least), float(month), float(count)))
    return float(model.weeks(at, when, which, {}, np.asarray(worth)).chance(floor))


@given(
    ask=st.floats(0.5, 2),
    more=st.floats(1, 2),
    least=st.floats(0.3, 1),
    month=st.integers(1, 12),
    worth=st.floats(-0.5, 0.5),
)
def test_a_dearer_ask_or_least_never_raises_the_chance(
    model: SellingModel, ask: float, more: float, least: float, month: int, worth: float
) -> None:
    here = week(model, ask, least, month, worth=worth)
    assert week(model, ask * more, least, month, worth=worth) <= here + 1e-12
    assert week(model, ask, least * more, month, worth=worth) <= here + 1e-12


def test_the_doubt_is_found_again(model: SellingModel) -> None:
    """The simulator spreads the worth by the place and by the error of the value: .14 of log in all."""
    a = assumptions()
    error = a("listing", "value_error") * np.exp(a("listing", "value_error_spread") ** 2)
    true = float(np.hypot(a("bargain", "town_log_sd"), error))
    assert model.doubt == pytest.approx(true, rel=0.25)


def test_unsold_weeks_are_counted_and_not_dropped(table: pd.DataFrame) -> None:
    """Without the listings that did not sell, the chance at a high ask comes out far too good."""
    sold = table.groupby("listing_id")["outcome"].transform("last") == "sold"
    honest, flattered = fit_selling_model(table), fit_selling_model(table[sold])
    assert week(flattered, 1.3, 0.9) > 1.2 * week(honest, 1.3, 0.9)


def test_the_season_and_noise_are_learned(model: SellingModel) -> None:
    """Three to four times the demand in May as in November; noise doubles the time (common practice, no source)."""
    assert week(model, 1.1, 0.85, 5) > 1.5 * week(model, 1.1, 0.85, 11)
    assert model.hazard["noise"] < -0.2
    assert model.hazard["smoke"] < -0.2


def test_an_ask_beyond_the_listings_counts_as_the_nearest_they_cover(model: SellingModel) -> None:
    highest = float(np.exp(model.ask_range[1]))
    assert week(model, 2 * highest, 0.9) == pytest.approx(week(model, highest, 0.9))


def test_a_least_beyond_the_listings_counts_as_the_nearest_they_have(model: SellingModel) -> None:
    lowest, highest = np.exp(model.least_range)
    assert week(model, 3.0, 2 * highest) == pytest.approx(week(model, 3.0, highest))
    assert week(model, 1.0, lowest / 2, worth=-0.5) == pytest.approx(week(model, 1.0, lowest, worth=-0.5))


def test_own_listings_shift_the_odds(model: SellingModel) -> None:
    """A shift of log 2 doubles the odds of every week."""
    odds = [p / (1 - p) for p in (week(m, 1.1, 0.9) for m in (model, model.shifted(float(np.log(2)))))]
    assert odds[1] == pytest.approx(2 * odds[0])


def by_hand(slopes: Mapping[str, float], known: Mapping[str, float]) -> float:
    """1 / (1 + exp(-x)) of the sum of slope times column."""
    return 1 / (1 + exp(-sum(slope * known[name] for name, slope in slopes.items())))


def test_chance_and_price_of_a_week_by_hand(model: SellingModel) -> None:
    """June, third week, blows smoke a little: asked 1.2 of the value, least .8, worth .1 of log less than the value.

    Nobody with a limit 30 % of log below the worth counts. The mean of the chance that a sale reaches a price, over the
    prices between least and ask, is its place between them: here by many places, in the model by five of Gauss.
    """
    ask, least, worth = log(1.2), log(0.8), -0.1
    turn, nothing = pi, dict.fromkeys(SLOWING, 0.0)
    known = nothing | {
        "always": 1.0, "ask": ask - worth, "ask_above": ask - worth, "least_above": max(least - worth + 0.3, 0) ** 2,
        "year_sin": sin(turn), "year_cos": cos(turn), "year_sin2": sin(2 * turn), "year_cos2": cos(2 * turn),
        "no_start_sin": 0.0, "no_start_cos": 0.0, "weeks": log(3), "weeks_late": 0.0, "smoke": 0.5,
    }  # fmt: skip
    up = (np.arange(2000) + 0.5) / 2000
    prices = np.log(0.8 + up * (1.2 - 0.8))
    shares = [
        by_hand(model.reach, known | {
            "price_above": max(price - worth + 0.3, 0) ** 2, "off": min(ask - price, 0.15),
            "off_little": min(ask - price, 0.05),
        })
        for price in prices
    ]  # fmt: skip
    june, third = np.asarray(6.0), np.asarray(3.0)
    told = model.weeks(np.asarray(ask), june, third, {"smoke": 0.5}, np.asarray(worth))
    chance, share = told.sold(np.asarray(least))
    assert chance == pytest.approx(by_hand(model.hazard, known), rel=1e-12)
    assert share == pytest.approx(np.mean(shares), abs=0.01)


def test_weeks_told_together_are_those_told_alone(model: SellingModel) -> None:
    """Five weeks from June on, three worths, two leasts and four asks: one of them alone, and asked for by itself."""
    week, worth = np.arange(1.0, 6.0).reshape(-1, 1, 1, 1), np.array([-0.2, 0.0, 0.3]).reshape(-1, 1, 1)
    ask, least = np.log([0.9, 1.0, 1.2, 1.5]), np.log([[0.7], [0.85]])
    together = model.weeks(ask, np.where(week < 3, 6.0, 7.0), week, {"noise": 1.0}, worth)
    for number in range(5):
        month = np.asarray(6.0 if number < 2 else 7.0)
        alone = model.weeks(ask, month, np.asarray(number + 1.0), {"noise": 1.0}, worth)
        for whole, one, by_itself in zip(
            together.sold(least), together.sold(least, number), alone.sold(least), strict=True
        ):
            assert one.shape == (3, 2, 4)
            assert one == pytest.approx(whole[number], rel=1e-14)
            assert one == pytest.approx(by_itself, rel=1e-12)
        assert together.chance(least, number) == pytest.approx(alone.sold(least)[0], rel=1e-12)


def test_it_is_small_and_comes_back_from_plain_numbers(model: SellingModel) -> None:
    data = to_bytes(model, [SellingModel], {})
    assert len(data) < 5000
    assert from_bytes(data, [SellingModel])[0] == model


def test_where_dear_machines_sold_sooner_a_dearer_ask_still_does_not(table: pd.DataFrame) -> None:
    """Against the law: of first weeks in which much was asked for the worth all sold, of the others a fifth."""
    first = table.groupby("listing_id").head(1).reset_index(drop=True)
    dear = (first["ask"] / first["value"]).rank(pct=True) > 0.5
    sold = dear | (first.index % 5 == 0)
    outcome = np.where(sold, "sold", "open")
    price = np.where(first.index % 2, first["ask"], np.minimum(first["ask"], first["least_to_take"]))
    perverse = fit_selling_model(first.assign(outcome=outcome, sale_price=price))
    chances = [week(perverse, ask, 0.8) for ask in (0.8, 0.9, 1.0, 1.1, 1.2, 1.3)]
    assert chances == sorted(chances, reverse=True)


def a_week_each(outcomes: list[str]) -> pd.DataFrame:
    """Listings of a week each, of machines worth 100 that were offered at 120, with 100 as the least."""
    return pd.DataFrame(
        {
            "listing_id": [f"l{i}" for i in range(len(outcomes))], "week": 1, "month": 5, "ask": 120.0,
            "least_to_take": 100.0, "value": 100.0, "value_low": 80.0, "value_high": 120.0, "faults": "",
            "outcome": outcomes, "sale_price": 110.0,
        }
    )  # fmt: skip


def test_how_far_up_between_least_and_ask_a_sale_ended_by_hand() -> None:
    """20 of room and sold a quarter up; above the ask; below the least; not sold at all."""
    table = a_week_each(["sold", "sold", "sold", "open"] * 10)
    assert read_listings(table.assign(sale_price=[105.0, 130.0, 90.0, np.nan] * 10)).up[:4] == pytest.approx(
        [0.25, 1.0, 0.0, 0.0]
    )


def test_what_a_listing_says_of_its_worth_is_weighed_over_all_its_weeks() -> None:
    """Bayes by hand: it stood a week and sold in the next, at five worths with a chance of their own each."""
    table = a_week_each(["open", *["sold"] * 31])
    table.loc[1, ["listing_id", "week"]] = "l0", 2
    rows = read_listings(table)
    chance = np.tile(np.array([[0.1], [0.2], [0.4], [0.6], [0.9]]), (1, 32))
    of_first = WEIGHTS * (1 - chance[:, 0]) * chance[:, 0]
    of_others = WEIGHTS @ chance[:, 0]
    weight, log_likelihood = _posterior(rows, chance)
    assert weight[:, 0] == pytest.approx(of_first / of_first.sum())
    assert weight[:, 1] == pytest.approx(weight[:, 0])
    assert log_likelihood == pytest.approx((np.log(of_first.sum()) + 30 * np.log(of_others)) / 31)


def test_twice_the_usual_range_is_twice_the_doubt(model: SellingModel) -> None:
    """Beside machines that run, or beside those that do not start, which have ranges of their own."""
    for usual, faults in zip(model.usual_sd, ({}, {"no_start": 1.0}), strict=True):
        assert model.doubt_of(usual, faults) == pytest.approx(model.doubt)
        assert model.doubt_of(2 * usual, faults) == pytest.approx(2 * model.doubt)


BAD: dict[str, tuple[Any, str]] = {
    "outcome": ("gone", "column outcome, row 3: expected one of open, sold, withdrawn"),
    "ask": (-5.0, "column ask, row 3: expected a number above 0"),
    "month": (13, "column month, row 3: expected 1 to 12"),
    "value": (np.nan, "column value, row 3: expected a number above 0"),
}


@pytest.mark.parametrize("column", BAD)
def test_a_bad_row_is_named(table: pd.DataFrame, column: str) -> None:
    value, message = BAD[column]
    bad = table.copy()
    bad.loc[2, column] = value
    with pytest.raises(ListingError, match=message):
        fit_selling_model(bad)


def test_too_few_sales_are_refused(table: pd.DataFrame) -> None:
    with pytest.raises(ListingError, match="expected at least 30 listings that sold, got"):
        fit_selling_model(table.head(20))
    with pytest.raises(ListingError, match="missing: outcome"):
        fit_selling_model(table.drop(columns="outcome"))
