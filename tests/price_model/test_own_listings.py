"""Own listings: sooner or later than the model, little from little, and bent by no forgotten one."""

from typing import cast

import numpy as np
import pytest

from tests.fake_model import SOUND, FakeModel
from tests.fake_selling import FakeSelling
from valuer.domain.machine import Machine
from valuer.price_model.own_listings import NO_LISTINGS, OwnListing, OwnWeek, Speed, learn_speed
from valuer.price_model.selling import SellingModel

MODEL = FakeModel()
BARE = Machine.model_validate({"id": "m1"})


def listing(weeks: int, *, sold: bool, ask: float = SOUND, days_ago: float = 0.0) -> OwnListing:
    """A sound machine listed in May at one ask."""
    every = tuple(OwnWeek(number=k + 1, month=5, ask=ask) for k in range(weeks))
    return OwnListing(BARE, every, sold, days_ago)


def learnt(*listings: OwnListing, doubt: float = 0.0) -> Speed:
    """What these listings teach."""
    return learn_speed(MODEL, cast("SellingModel", FakeSelling(doubt)), listings)


def weekly_chance() -> float:
    """Of the fake at an ask of the value in May, least .85: odds 2 / 3, and most limits lie above the least."""
    zero = np.zeros(1)
    weeks = FakeSelling().weeks(zero, zero + 5, zero + 1, {}, zero)
    return float(weeks.chance(zero + np.log(0.85))[0])


def test_without_listings_nothing_is_moved() -> None:
    assert learnt() is NO_LISTINGS
    assert (NO_LISTINGS.moved, NO_LISTINGS.at_rest) == (0.0, True)


def test_selling_as_the_model_says_moves_nothing_much_and_sooner_moves_up() -> None:
    # At chance p a week, one in p stands a week and sells: of 10 weeks 10 p sell.
    sales = round(10 * weekly_chance())
    as_said = learnt(*[listing(1, sold=k < sales) for k in range(10)])
    assert abs(as_said.moved) < 0.15
    assert learnt(*[listing(1, sold=True)] * 10).moved > 0.4
    assert learnt(*[listing(1, sold=False)] * 10).moved < -0.4


def test_what_is_expected_of_the_model_is_summed_by_hand() -> None:
    found = learnt(listing(1, sold=True), listing(2, sold=False))
    chance = weekly_chance()
    assert found.expected == pytest.approx(chance + 1 - (1 - chance) ** 2)
    assert (found.listings, found.sold, found.weeks) == (2, 1, 3)


def test_the_posterior_is_that_of_a_grid_worked_out_apart() -> None:
    # One listing sold at once, no doubt: prior N(0, .5), chance p s / (1 - p + p s), one in twenty forgotten.
    shift = np.linspace(-4, 4, 4001)
    chance = weekly_chance()
    odds = chance / (1 - chance) * np.exp(shift)
    weight = np.exp(-(shift**2) / (2 * 0.5**2)) * (0.95 * odds / (1 + odds) + 0.05 * 0.02)
    assert learnt(listing(1, sold=True)).moved == pytest.approx(
        float(weight @ shift / weight.sum()), abs=1e-3
    )


def test_an_unsold_one_counts_for_the_weeks_it_stood_and_is_not_dropped() -> None:
    moved = [learnt(listing(weeks, sold=False)).moved for weeks in (1, 3)]
    assert moved[1] < moved[0] < 0


@pytest.mark.parametrize("doubt", [0.0, 1.0])
def test_few_listings_say_little_and_more_say_more(doubt: float) -> None:
    moved = [learnt(*[listing(1, sold=True)] * n, doubt=doubt).moved for n in (1, 3, 10, 30)]
    assert moved == sorted(moved)
    # One sale at once pulls by 1 - p; times the prior variance of .25 that is the most it can move.
    assert 0 < moved[0] < 0.25 * (1 - weekly_chance())
    assert learnt(*[listing(1, sold=True)] * 30).sd < 0.5


def test_old_listings_say_less() -> None:
    fresh, old = (learnt(*[listing(1, sold=True, days_ago=d)] * 5).moved for d in (0.0, 1500.0))
    assert 0 < old < fresh


def test_one_forgotten_listing_bends_nothing() -> None:
    # A year listed without a sale is no market, it is an advertisement nobody looks after.
    others = [listing(2, sold=True) for _ in range(10)]
    without, with_it = learnt(*others).moved, learnt(*others, listing(52, sold=False)).moved
    assert abs(with_it - without) < 0.05


def test_a_dear_ask_that_stands_says_less_than_a_fair_one() -> None:
    fair, dear = (learnt(listing(3, sold=False, ask=SOUND * times)).moved for times in (1.0, 1.3))
    assert fair < dear < 0


def test_the_order_of_listings_does_not_matter() -> None:
    several = [listing(1, sold=True), listing(4, sold=False), listing(2, sold=True, days_ago=300.0)]
    assert learnt(*several).moved == pytest.approx(learnt(*several[::-1]).moved)
