"""Cured alone, lost alone, and fair shares of the gap."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.ports import FloatArray
from valuer.advice.worth.fault_cost import cured_alone, lost_alone, shapley_shares
from valuer.advice.worth.valuation import value_machines


def _losses(game: dict[frozenset[int], float], players: int) -> FloatArray:
    """Prices whose loss with a set of faults left in is what the set earns in the game."""
    values = np.zeros((2,) * players)
    for place in np.ndindex(*values.shape):
        values[place] = 100 - game[frozenset(i for i, there in enumerate(place) if there)]
    return values


def test_glove_game_gives_the_published_shares() -> None:
    """Two left gloves, one right, a pair earns 1: shares 1/6, 1/6, 2/3 (published worked example)."""
    lefts, right = {0, 1}, 2
    sets = [frozenset(s) for n in range(4) for s in _subsets({0, 1, 2}, n)]
    game = {s: float(right in s and bool(lefts & s)) for s in sets}
    assert shapley_shares(_losses(game, 3)) == pytest.approx([1 / 6, 1 / 6, 2 / 3])


def _subsets(items: set[int], size: int) -> list[set[int]]:
    return [set(p) for p in {frozenset(p) for p in permutations(items, size)}]


@given(st.lists(st.floats(0, 500), min_size=8, max_size=8))
def test_shares_are_the_mean_over_all_orders_of_joining(prices: list[float]) -> None:
    """The definition of Shapley's value (1953), by brute force over the six orders of three faults."""
    values = np.array(prices).reshape(2, 2, 2)
    means = np.zeros(3)
    for order in permutations(range(3)):
        there = [0, 0, 0]
        for fault in order:
            before = values[tuple(there)]
            there[fault] = 1
            means[fault] += (before - values[tuple(there)]) / 6
    assert shapley_shares(values) == pytest.approx(means, abs=1e-9)


@given(st.lists(st.floats(0, 500), min_size=16, max_size=16))
def test_shares_sum_to_the_whole_gap(prices: list[float]) -> None:
    """The shares explain all of the gap between sound and now (efficiency, Shapley 1953)."""
    values = np.array(prices).reshape((2,) * 4)
    assert shapley_shares(values).sum() == pytest.approx(values[0, 0, 0, 0] - values[1, 1, 1, 1], abs=1e-9)


def test_a_fault_that_changes_no_price_has_no_share() -> None:
    """A dummy gets 0 (Shapley 1953)."""
    values = np.repeat(np.array([[100.0, 80.0], [70.0, 50.0]])[..., None], 2, axis=2)
    assert shapley_shares(values)[2] == 0


def test_losses_of_two_faults_by_hand() -> None:
    """Starter noise 35 % and a dull blade 8 %: together 190 x .65 x (1 - .85 x .08) = 115.102.

    Noise cured leaves 190 x .92 = 174.80, the blade cured leaves 190 x .65 = 123.50.
    """
    costs = value_machines([machine("starter_noise:serious", "blade_dull:serious")], FakeModel(), terms())[0]
    noise, blade = costs.fault_costs
    assert (noise.fault, blade.fault) == ("starter_noise", "blade_dull")
    assert costs.value.amount == 115.10
    assert (noise.cured_alone, blade.cured_alone) == (59.70, 8.40)
    assert (noise.lost_alone, blade.lost_alone) == (66.50, 15.20)
    assert noise.share + blade.share == pytest.approx(190 - 115.10, abs=0.011)
    assert noise.share == pytest.approx((59.698 + 66.5) / 2, abs=0.005)


def test_a_gate_costs_far_more_than_its_percentage() -> None:
    """T03: a fuel drip costs far more than faded paint: on R190 it leaves 66.50, paint 176.70."""
    fuel = value_machines([machine("fuel_leak_carb:serious")], FakeModel(), terms())[0]
    paint = value_machines([machine("paint_faded:serious")], FakeModel(), terms())[0]
    assert (fuel.value.amount, paint.value.amount) == (66.50, 176.70)


def test_empty_game_has_no_shares() -> None:
    """A machine without faults has nothing to explain."""
    assert len(shapley_shares(np.array(100.0))) == 0
    assert len(cured_alone(np.array(100.0))) == 0
    assert len(lost_alone(np.array(100.0))) == 0
