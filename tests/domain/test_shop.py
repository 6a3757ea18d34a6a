"""Shop terms: defaults with their marks, and the sums that follow from them."""

# ruff: noqa: N802 - a test that answers a fact of the trade carries its number

import pytest
from pydantic import ValidationError

from valuer.domain.shop import (
    ShopTerms,
    handling_cost,
    season_month,
    selling_cost,
    selling_hours,
    storage_cost,
    term_defaults,
    trip_cost,
)


def test_overhead_of_an_ordinary_machine_is_about_59() -> None:
    """30 km at .25, 8 of consumables and wear, 2.9 h at 15: 59 (common practice, no source); 5 allowed."""
    terms = ShopTerms(month=5, mile_cost=0.25 * 1.609344, wasted_trips=0.0, come_backs=0.0)
    assert trip_cost(terms) + handling_cost(terms) + selling_cost(terms, 160) == pytest.approx(59, abs=5)


def test_selling_hours_by_hand() -> None:
    """.6 listing + 6 x .1 enquiries + .3/.7 x .4 no-shows + .4 showing = 1.771 h."""
    assert selling_hours(ShopTerms(month=5)) == pytest.approx(1.7714, abs=1e-4)


def test_fees_and_come_backs_take_a_share_of_the_price() -> None:
    """At 200: .03 x .40 x 200 = 2.40 of come-backs, 10 % fee 20, 1 fixed."""
    free = ShopTerms(month=5, hour_value=0, fee_share=0.1, fee_fixed=1)
    assert selling_cost(free, 200) == pytest.approx(23.4)


def test_a_wasted_trip_in_two_doubles_the_cost() -> None:
    terms = ShopTerms(month=5, trip_miles=10, mile_cost=0.7, trip_hours=0, wasted_trips=0.5)
    assert trip_cost(terms) == pytest.approx(14.0)
    assert trip_cost(terms, miles=20) == pytest.approx(28.0)


def test_standing_costs_by_the_week() -> None:
    """3 a month in a garage: 36 a year, .69 a week; 13 weeks 9 (common practice, no source)."""
    assert storage_cost(ShopTerms(month=5), 13) == pytest.approx(9.0, abs=0.05)


def test_T43_a_price_level_scales_every_money_default_and_nothing_else() -> None:
    one, ten = ShopTerms(month=5), ShopTerms(month=5, price_level=10)
    for name, term in term_defaults().items():
        if name != "price_level":
            factor = 10 if term.money else 1
            assert getattr(ten, name) == pytest.approx(factor * getattr(one, name)), name
    assert ShopTerms(month=5, price_level=10, hour_value=15).hour_value == 15


def test_no_default_is_out_of_its_own_range_at_any_price_level() -> None:
    """An hour at a shop is 60 at price level 1: 600,000 at the highest, and still a term that may be given."""
    high = ShopTerms(month=5, price_level=10_000)
    assert high.shop_rate == pytest.approx(600_000)
    assert ShopTerms.model_validate(high.model_dump()) == high
    with pytest.raises(ValidationError, match="price_level must be 10000 or less"):
        ShopTerms(month=5, price_level=10_001)


@pytest.mark.parametrize(("month", "same_season"), [(5, 11), (11, 5), (12, 6), (6, 12), (1, 7)])
def test_the_south_has_its_season_six_months_later(month: int, same_season: int) -> None:
    assert season_month(ShopTerms(month=month, hemisphere="south")) == same_season
    assert season_month(ShopTerms(month=month)) == month


def test_T60_an_hour_may_be_worth_nothing() -> None:
    assert ShopTerms(month=5, hour_value=0).hour_value == 0


@pytest.mark.parametrize(
    ("wrong", "line"),
    [
        ({}, "month is missing; it must be given"),
        ({"month": 13}, "month must be 12 or less, got 13"),
        ({"month": 5, "hour_value": -2}, "hour_value must be 0 or more, got -2"),
        ({"month": 5, "hourvalue": 2}, "unknown name 'hourvalue'; did you mean 'hour_value'?"),
        ({"month": 5, "currency": "dollars"}, "currency must be three capital letters, got 'dollars'"),
        ({"month": 5, "price_level": 0}, "price_level must be 0.001 or more, got 0"),
        ({"month": 5, "price_level": "2"}, "price_level must be a number, got '2'"),
        ({"month": 5, "hours": float("inf")}, "hours must be a finite number, got inf"),
        ({"month": 5, "hemisphere": "nord"}, "hemisphere must be one of north, south; got 'nord'"),
    ],
)
def test_wrong_terms_get_one_line(wrong: dict[str, object], line: str) -> None:
    with pytest.raises(ValidationError) as caught:
        ShopTerms.model_validate(wrong)
    assert line in [error["msg"].split("; did")[0] for error in caught.value.errors()] or line in str(
        caught.value
    )


def test_only_the_month_is_required() -> None:
    assert ShopTerms.model_json_schema()["required"] == ["month"]


def test_the_blade_stop_limit_is_the_united_states_one_by_default() -> None:
    """16 CFR 1205.5(a)(1), published: 3.0 s."""
    assert ShopTerms(month=5).blade_stop_limit_s == 3.0
