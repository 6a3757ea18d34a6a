"""The learner that knows the second market's form computes that market, and finds out which place it is in."""

import numpy as np
import pytest

from tests.benchmark.known_form import EVEN, NORMAL, learnt, log_prices, place_of, sold
from tests.benchmark.second_market import draw_machines, shifted
from valuer.domain.faults import fault_catalogue
from valuer.price_model.own_sales import present

MACHINES = draw_machines(60, seed=3)
FOUND = [present(machine) for machine in MACHINES]
MONTHS = [3 + number % 8 for number in range(60)]


@pytest.mark.parametrize("seed", [100, 101, 102])
def test_it_is_the_second_market_machine_by_machine(seed: int) -> None:
    place = shifted(seed)
    one_by_one = [place.log_price(*each) for each in zip(MACHINES, FOUND, MONTHS, strict=True)]
    assert log_prices(place, sold(MACHINES, FOUND, MONTHS)) == pytest.approx(one_by_one, abs=1e-12)


def test_places_are_spread_as_the_second_market_draws_them() -> None:
    """Quartiles of 300 places drawn either way: a prior that is wider or narrower would set another bound."""
    rng = np.random.default_rng(5)
    size = len(NORMAL) + len(EVEN) + len(fault_catalogue())
    ours, theirs = [place_of(rng.normal(size=size)) for _ in range(300)], [shifted(s) for s in range(300)]
    for name in (*NORMAL, *EVEN):
        quartiles = [
            np.quantile([getattr(place, name) for place in places], (0.25, 0.75)) for places in (ours, theirs)
        ]
        assert quartiles[0] == pytest.approx(quartiles[1], rel=0.15)


def test_with_sales_it_comes_nearer_to_the_place() -> None:
    place, machines = shifted(103), sold(MACHINES, FOUND, MONTHS)
    true = log_prices(place, machines)
    noisy = true + np.random.default_rng(6).normal(0.0, 0.2, len(true))
    usual = place_of(np.zeros(len(NORMAL) + len(EVEN) + len(fault_catalogue())))
    before, after = (
        np.median(np.abs(log_prices(p, machines) - true)) for p in (usual, learnt(machines, noisy))
    )
    assert after < before / 2
    assert after < 0.1
