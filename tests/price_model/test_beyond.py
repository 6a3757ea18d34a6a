"""What lies outside of all training sales is named with its value and with what the sales have."""

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from valuer.adviser import Adviser
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.price_model.mower import MowerModel
from valuer.price_model.training import invented_sales

OUTSIDE = "Outside the range of the data: "


def machine(**said: Any) -> Machine:
    return Machine.model_validate({"id": "m1", **said})


def warned(model: MowerModel, asked: Machine, **terms: Any) -> list[str]:
    """What an answer says about the range of the data."""
    (valuation,) = Adviser(model).value([asked], ShopTerms.model_validate({"month": 5, **terms})).valuations
    return [line.removeprefix(OUTSIDE) for line in valuation.warnings if line.startswith(OUTSIDE)]


@pytest.fixture(scope="module")
def sales() -> list[dict[str, str]]:
    """The training sales as they stand in the file, read without the price model."""
    return list(csv.DictReader(io.StringIO(invented_sales().decode("utf-8"))))


def ends(sales: list[dict[str, str]], name: str) -> tuple[float, float]:
    known = [float(sale[name]) for sale in sales if sale[name]]
    return min(known), max(known)


@pytest.mark.parametrize(("name", "value"), [("age_years", 33.5), ("deck_width_in", 33), ("new_price", 4000)])
def test_a_number_outside_is_named_with_the_ends_of_the_data(
    mower_model: MowerModel, sales: list[dict[str, str]], name: str, value: float
) -> None:
    low, high = ends(sales, name)
    assert not low <= value <= high
    (beyond,) = mower_model.beyond(machine(**{name: value}))
    assert (beyond.name, beyond.value) == (name, value)
    assert beyond.known == pytest.approx((low, high))
    assert any(
        line.startswith(f"{name} ") and "the sales have" in line
        for line in warned(mower_model, machine(**{name: value}))
    )


def test_a_number_of_which_no_sale_said_anything_has_no_ends(mower_model: MowerModel) -> None:
    """A file of one's own need not tell how far machines were tested, nor their decks."""
    model, columns = mower_model.price_model, mower_model.price_model.columns
    knots = {name: ends for name, ends in columns.knots.items() if name not in ("tested", "deck_width_in")}
    bare = replace(mower_model, price_model=replace(model, columns=replace(columns, knots=knots)))
    (beyond,) = bare.beyond(machine(age_years=33.5, deck_width_in=33))
    assert beyond.name == "age_years"


def test_the_ends_themselves_are_inside(mower_model: MowerModel, sales: list[dict[str, str]]) -> None:
    for name in ("age_years", "deck_width_in", "new_price"):
        for end in ends(sales, name):
            assert mower_model.beyond(machine(**{name: end})) == ()


def test_words_that_no_sale_has_together_are_named(
    mower_model: MowerModel, sales: list[dict[str, str]]
) -> None:
    assert not [sale for sale in sales if sale["drive"] == "push" and sale["tier"] == "premium"]
    assert warned(mower_model, machine(drive="push", tier="premium")) == [
        "no sale has drive push with tier premium."
    ]


def test_nothing_is_said_about_what_was_sold(mower_model: MowerModel, sales: list[dict[str, str]]) -> None:
    def said(sale: dict[str, str]) -> Iterator[tuple[str, object]]:
        for name in ("drive", "deck_material", "engine_class", "start", "tier", "looks", "kept"):
            if sale[name]:
                yield name, sale[name]
        for name in ("age_years", "deck_width_in", "new_price"):
            if sale[name]:
                yield name, float(sale[name])

    for sale in sales[::400]:
        assert mower_model.beyond(machine(**dict(said(sale)))) == ()


def test_money_is_compared_in_the_money_of_its_owner(
    mower_model: MowerModel, sales: list[dict[str, str]]
) -> None:
    # 5,000 of a currency of which ten make a dollar are 500 dollars: inside, and the value is that of 500.
    krona = {"price_level": 10.0, "currency": "SEK"}
    assert warned(mower_model, machine(new_price=5000), **krona) == []
    (line,) = warned(mower_model, machine(new_price=40_000), **krona)
    prices = [10 * float(sale["new_price"]) for sale in sales if sale["new_price"]]
    assert line.startswith(f"new_price 40,000; the sales have {min(prices):,.0f} to {max(prices):,.0f}")


def test_the_price_level_is_a_change_of_units(mower_model: MowerModel) -> None:
    adviser = Adviser(mower_model)
    sold = {"drive": "rear_variable", "tier": "mid", "age_years": 4}
    dollars, tenfold = (
        adviser.value(
            [machine(**sold, new_price=500 * level)],
            ShopTerms.model_validate({"month": 5, "price_level": level}),
        ).valuations[0]
        for level in (1.0, 10.0)
    )
    assert tenfold.value.amount == pytest.approx(10 * dollars.value.amount, abs=0.06)  # to the cent
    assert tenfold.value.low == pytest.approx(10 * dollars.value.low, abs=0.06)
