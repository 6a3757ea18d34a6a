"""The ways of dealing with one fault, and the odds of its fixes."""

import numpy as np
import pytest

from tests.advice.make import fix, shop_with
from valuer.advice.work.policies import (
    MOST_TRIES,
    NO_FIX,
    Policies,
    Workshop,
    odds_on,
    policies_for,
    usual_workshop,
)
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding
from valuer.domain.readings import Readings


def policies(fault: str, shop: Workshop | None = None) -> Policies:
    """All policies for a serious fault."""
    at = shop or usual_workshop()
    return policies_for(at, fault, odds_on(at, Finding(fault, "serious"), Readings()).tobytes())


def tries(found: Policies, shop: Workshop) -> list[tuple[str, ...]]:
    """The fixes of each policy that begins at once, by name."""
    return [
        tuple(shop.names[place] for place in (int(first), *later.tolist()) if place != NO_FIX)
        for first, later in zip(found.first, found.later, strict=True)
        if first != NO_FIX
    ]


def test_policies_of_a_seat_and_two_carburettors() -> None:
    """The cheap repair alone, with one fallback, with two; or either carburettor at once."""
    shop = shop_with(fix("needle_seat"), fix("carb_new_generic"), fix("carb_new_maker"))
    assert set(tries(policies("fuel_leak_carb", shop), shop)) == {
        ("needle_seat",),
        ("needle_seat", "carb_new_generic"),
        ("needle_seat", "carb_new_generic", "carb_new_maker"),
        ("carb_new_generic",),
        ("carb_new_generic", "carb_new_maker"),
        ("carb_new_maker",),
    }


def test_figures_of_a_fallback_by_hand() -> None:
    """Seat failed, then pattern .88 at 24.50 and .60 h, then maker's .96 at 75 and .60 h.

    Cured later 1 - .12 x .04 = .9952; parts 24.50 + .12 x 75 = 33.50; hours .60 + .12 x .60 = .672; if all
    fails 99.50 and 1.20 h.
    """
    shop = shop_with(fix("needle_seat"), fix("carb_new_generic"), fix("carb_new_maker"))
    found = policies("fuel_leak_carb", shop)
    chain = [shop.names.index(name) for name in ("carb_new_generic", "carb_new_maker")]
    seat = shop.names.index("needle_seat")
    row = next(
        i for i in range(len(found.first)) if found.first[i] == seat and found.later[i].tolist() == chain
    )
    assert found.cured_later[row] == pytest.approx(0.9952)
    assert found.later_parts[row] == pytest.approx(33.50)
    assert found.later_hours[row] == pytest.approx(0.672)
    assert (found.worst_parts[row], found.worst_hours[row]) == (pytest.approx(99.50), pytest.approx(1.20))


@pytest.mark.parametrize("fault", sorted(fault_catalogue()))
def test_no_chain_is_longer_than_three_and_none_repeats(fault: str) -> None:
    """What failed three times is sold as it stands; nothing is done twice in a row."""
    shop = usual_workshop()
    for chain in tries(policies(fault), shop):
        assert len(chain) <= MOST_TRIES
        assert len(set(chain)) == len(chain)


@pytest.mark.parametrize("fault", sorted(fault_catalogue()))
def test_leaving_the_fault_is_always_a_policy(fault: str) -> None:
    """And it is the first, at no cost."""
    found = policies(fault)
    assert found.first[0] == NO_FIX
    assert found.cured_later[0] == found.worst_parts[0] == found.worst_hours[0] == 0


def test_a_second_try_has_half_the_odds() -> None:
    """Common practice, no source: what failed once holds half as often the next time."""
    shop, leak = usual_workshop(), Finding("fuel_leak_carb", "serious")
    seat = shop.names.index("needle_seat")
    fresh = odds_on(shop, leak, Readings())
    again = odds_on(shop, leak, Readings(), frozenset({"needle_seat"}))
    assert again[seat] == fresh[seat] / 2
    assert np.delete(again, seat).tolist() == np.delete(fresh, seat).tolist()


def test_readings_move_the_odds() -> None:
    """T44: a starter battery at rest with 12.7 V is not what is wrong; collapsing under load it may be."""
    shop, dead = usual_workshop(), Finding("estart_dead", "serious")
    battery = shop.names.index("estart_battery")
    blind, healthy = odds_on(shop, dead, Readings()), odds_on(shop, dead, Readings(battery_rest_v=12.7))
    flat = odds_on(shop, dead, Readings(battery_rest_v=11.5))
    assert healthy[battery] < blind[battery] < flat[battery]


def test_what_only_looks_is_no_fix() -> None:
    """Finding a leak cures nothing and stands in no plan."""
    assert not {"oil_leak_find", "crank_check"} & set(usual_workshop().names)
