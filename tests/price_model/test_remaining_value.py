"""What the trained model says a sound machine keeps of its new price.

The market it was trained on was built inside the bands of outside schedules (`tests/market/test_buyers.py` names them),
so this is no check from outside: it says that the fit has not lost what the market has.
"""

import numpy as np
import pytest

from tests.price_model.machines import Floats, machine
from valuer.price_model.mower import MowerModel

KINDS: dict[str, dict[str, object]] = {
    "budget push": {"tier": "budget", "drive": "push", "engine_class": "small_ohv", "new_price": 265.0},
    "mid push": {"drive": "push", "new_price": 345.0},
    "mid front drive": {"drive": "front_one_speed", "new_price": 405.0},
    "mid rear drive": {"new_price": 505.0},
    "premium": {"tier": "premium", "engine_class": "large_ohv", "new_price": 790.0},
    "commercial": {
        "tier": "commercial", "drive": "hydrostatic", "engine_class": "overhead_cam", "deck_material": "aluminium",
        "new_price": 1450.0,
    },
}  # fmt: skip


def kept(model: MowerModel, kind: str, ages: Floats) -> Floats:
    """Share of the new price that sound machines of these ages are worth in April."""
    machines = [machine(**KINDS[kind], age_years=float(age)) for age in ages]
    value = model.value(model.encode(machines, 4))
    return np.array([v / one.new_price for v, one in zip(value, machines, strict=True) if one.new_price])


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_machine_keeps_20_to_60_percent_at_five_years_and_15_to_45_at_eight(
    mower_model: MowerModel, kind: str
) -> None:
    five, eight = kept(mower_model, kind, np.array([5.0, 8.0]))
    assert 0.20 <= five <= 0.60
    assert 0.15 <= eight <= 0.45


@pytest.mark.parametrize("kind", KINDS)
def test_value_falls_convexly_after_the_first_year(mower_model: MowerModel, kind: str) -> None:
    """Over spans of four years the fall grows smaller; a boosted model has steps of a hundredth of new."""
    share = kept(mower_model, kind, np.array([1.0, 5.0, 9.0, 13.0, 17.0]))
    falls = -np.diff(share)
    assert (falls > 0).all()
    assert (np.diff(falls) < 0.01).all()
    assert falls[0] > 2 * falls[-1]


def test_little_is_left_at_twice_the_median_life(mower_model: MowerModel) -> None:
    """At twice 5.81 years all of a cohort is scrapped (US EPA NONROAD): what is still sold keeps under 30 % of new."""
    for kind in KINDS:
        if kind != "commercial":
            assert kept(mower_model, kind, np.array([2 * 5.81]))[0] < 0.30
