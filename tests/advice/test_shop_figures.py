"""A quote made whole from usual figures."""

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import fix, machine, shop_with, terms
from valuer.advice.deal.repair_quote import Quote
from valuer.advice.deal.shop_figures import whole_quotes
from valuer.domain.shop_figures import ShopFigures


def quote(*faults: str, **known: object) -> Quote:
    """The quote for one machine, from what is known of it."""
    figures = {"m": ShopFigures.model_validate(known)} if known else {}
    return whole_quotes([machine(*faults)], figures, FakeModel(), terms())[0]


def test_the_fix_that_costs_least_per_chance_of_success_at_the_shops_prices() -> None:
    """A leaking carburettor at 60 an hour: a seat costs 4 + .8 x 60 = 52 and holds one time in four, 208 a cure.

    A pattern carburettor costs 24.50 + .6 x 60 = 60.50 and holds 88 times in 100: 69 a cure.
    """
    found = quote("fuel_leak_carb:serious", rate=60.0)
    assert found.parts < 30
    assert found.hours < 0.8
    assert found.cures == ("fuel_leak_carb",)


def test_a_shop_quotes_what_will_hold_not_the_cheapest_thing_to_try() -> None:
    """A vibration is seldom cured by its engine bolts, though they cost least per chance of success."""
    found = quote("vibration:serious", rate=60.0)
    assert found.parts > 10


def test_nothing_to_cure_costs_nothing() -> None:
    """Nobody pays for looking at a mower that works; somebody does for a leak that has to be found."""
    assert quote().bill(terms()) == 0
    assert quote("paint_faded:slight").bill(terms()) == 0
    assert quote("oil_leak_unknown:serious").bill(terms()) == 50  # the usual fee (common practice, no source)


def test_work_shared_by_two_fixes_is_counted_once() -> None:
    """The engine comes off once for two jobs that need it off."""
    both = quote("oil_leak_sump:serious", "oil_leak_seal:serious")
    each = quote("oil_leak_sump:serious"), quote("oil_leak_seal:serious")
    assert both.hours < sum(one.hours for one in each)
    assert both.parts <= sum(one.parts for one in each)


def test_nobody_takes_dirt_or_paint_to_a_shop() -> None:
    """Trim is left, unless the figures name it."""
    assert quote("paint_faded:serious", "dirty:serious").parts == 0
    assert quote("paint_faded:serious", "dirty:serious").cures == ()
    assert quote("paint_faded:serious", cures=["paint_faded"]).hours > 0


def test_what_the_shop_said_stands() -> None:
    """80 in parts and three hours at 60 is 260 (common practice, no source): no fee is added to a whole quote."""
    found = quote("fuel_leak_carb:serious", parts=80.0, hours=3.0, rate=60.0)
    assert found.bill(terms()) == pytest.approx(260)


def test_a_dearer_shop_hour_never_asks_for_more_of_them() -> None:
    """At a higher rate the quicker fix is chosen, or the same."""
    cheap, dear = (
        quote("fuel_leak_carb:serious", "no_start:serious", rate=rate).hours for rate in (10.0, 200.0)
    )
    assert dear <= cheap


def test_a_shop_with_fixes_of_its_own_quotes_those() -> None:
    """Where the one fix for a leaking carburettor takes five hours, five are quoted."""
    slow = shop_with(fix("carb_new_generic", hours=(5.0, 5.0), strip_down=(), odds={"fuel_leak_carb": 0.9}))
    leaks = machine("fuel_leak_carb:serious")
    assert whole_quotes([leaks], {}, FakeModel(), terms(), slow)[0].hours == 5.0
