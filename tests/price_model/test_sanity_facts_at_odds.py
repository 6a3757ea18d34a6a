"""Sanity facts that the trained model is at odds with today; each says on how many machines.

Ids and marks as in test_sanity_facts.py, which holds the same facts where they are kept.
"""

from itertools import combinations

import pytest

from tests.price_model.machines import BLANKS, FAULTS, OIL_LEAKS, SLACK, TIERS, Judge, changed, machine
from valuer.domain.machine import Machine
from valuer.price_model.mower import MowerModel


@pytest.mark.parametrize("level", [1, 2])
def test_t21_two_faults_lose_no_more_than_the_sum_of_both(r190: Judge, level: int) -> None:
    """Multiplicatively: what is left with both is at least the product of what is left with each."""
    over = {pair: r190.excess(pair, level).max(initial=0) for pair in combinations(FAULTS, 2)}
    assert max(over.values()) <= 1e-9, f"{sum(v > 1e-9 for v in over.values())} of {len(over)} pairs"


@TIERS
def test_t23_a_higher_tier_is_worth_no_less_on_any_machine(
    mower_model: MowerModel, offered: list[Machine], lower: str, higher: str
) -> None:
    values = [
        Judge.of(mower_model, [changed(one, tier=t) for one in offered]).value() for t in (lower, higher)
    ]
    wrong = values[0] > values[1] * SLACK
    assert not wrong.any(), (
        f"{wrong.sum()} of {len(wrong)} machines, by {(values[0] / values[1]).max() - 1:.0%} at most"
    )


@pytest.mark.parametrize("state", ["sound", "with faults"])
def test_t25_leaving_a_field_blank_never_narrows_it_on_any_machine(
    mower_model: MowerModel, offered: list[Machine], state: str
) -> None:
    narrower = {}
    for name in BLANKS:
        told = [one for one in offered if getattr(one, name) is not None]
        blank = [changed(one, **{name: None}) for one in told]
        before, after = (
            Judge.of(mower_model, some, faults=state != "sound").width() for some in (told, blank)
        )
        narrower[name] = round(float((after < before - 1e-9).mean()), 4)
    assert not any(narrower.values()), f"share of machines by field: {narrower}"


@pytest.mark.parametrize("start", ["electric", "rope"])
def test_t35_dead_electric_start_dead_rope_start_no_drive(mower_model: MowerModel, start: str) -> None:
    """19 < 57 < 66 on R190."""
    judge = Judge.of(mower_model, [machine(start=start)])
    losses = [float(judge.loss(**{fault: 2})[0]) for fault in ("estart_dead", "recoil_rope", "drive_none")]
    assert losses == sorted(losses)


@pytest.mark.parametrize("level", [1, 2])
def test_t37_naming_the_leak_never_widens_the_interval_on_any_machine(sound: Judge, level: int) -> None:
    unknown = sound.having(oil_leak_unknown=level).width()
    wider = {leak: int((sound.having(**{leak: level}).width() > unknown + 1e-9).sum()) for leak in OIL_LEAKS}
    assert not any(wider.values()), f"machines of {len(unknown)}: {wider}"


@pytest.mark.parametrize("level", [1, 2])
def test_t41_a_non_runner_has_a_wider_interval_on_any_machine(sound: Judge, level: int) -> None:
    narrower = sound.having(no_start=level).width() <= sound.width()
    assert not narrower.any(), f"{narrower.sum()} of {len(narrower)} machines"
