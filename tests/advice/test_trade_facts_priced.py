"""Facts of the trade about prices, asked of the advice with the trained model in it, which was told none of them.

All are common practice, no source. On the reference machine (about 190 when sound), a cheap one and a dear one.
"""

import math
from itertools import pairwise
from typing import Any

import pytest

from tests.advice.make import fix, ids, shop_with, terms
from tests.price_model.machines import R190
from valuer.advice.sale.asking_price import asking_prices
from valuer.advice.work.documents import WorkList
from valuer.advice.work.work_list import work_lists
from valuer.advice.work.workshop import Workshop
from valuer.advice.worth.documents import Valuation
from valuer.advice.worth.valuation import value_machines
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.price_model.mower import MowerModel

CHEAP = {"tier": "budget", "drive": "push", "age_years": 10.0, "mulch_kit": None, "looks": "scarred"}
DEAR = {"tier": "premium", "drive": "hydrostatic", "age_years": 2.0, "engine_class": "large_ohv"}
PROVED = {"recall": ("recall_open",), "crank": ("bent_crank",)}


def machine(*faults: str, **more: Any) -> Machine:
    """The reference machine looked over, with these faults and no others; a few things about it may be otherwise."""
    there = {fault.split(":")[0] for fault in faults}
    proved = {check: "passed" for check, means in PROVED.items() if there.isdisjoint(means)}
    given = {**R190, "looked_over": True, "checks": proved, "faults": list(faults), **more}
    return Machine.model_validate({name: value for name, value in given.items() if value is not None})


@pytest.fixture
def valued(mower_model: MowerModel) -> Any:
    """Value a machine in May."""

    def value(*faults: str, **more: Any) -> Valuation:
        return value_machines([machine(*faults, **more)], mower_model, terms())[0]

    return value


@pytest.fixture
def planned(mower_model: MowerModel) -> Any:
    """The work list of a machine in May, an hour worth 15."""

    def plan(*faults: str, shop: Workshop | None = None, **more: Any) -> WorkList:
        return work_lists([machine(*faults, **more)], mower_model, terms(), shop)[0]

    return plan


@pytest.mark.parametrize("kind", [{}, CHEAP, DEAR])
def test_t14_curing_a_tied_bail_restores_the_full_value(valued: Any, kind: dict[str, Any]) -> None:
    """T14: a tied-down bail blocks even a like-new machine; cured, the sound price is back."""
    tied = valued("bail_defeated:serious", **kind)
    assert not tied.safety.may_be_sold
    assert tied.fault_costs[0].cured_alone > 0.2 * valued(**kind).value.amount
    assert tied.value.amount + tied.fault_costs[0].cured_alone == pytest.approx(
        valued(**kind).value.amount, abs=0.02
    )


@pytest.mark.parametrize("kind", [{}, CHEAP, DEAR])
@pytest.mark.parametrize("cause", fault_catalogue()["no_start"].causes)
def test_t19_a_named_cause_never_lowers_what_a_machine_that_does_not_start_is_worth(
    valued: Any, cause: str, kind: dict[str, Any]
) -> None:
    """T19: no spark is why it does not start: one loss, not two, whichever the cause."""
    without = valued("no_start:serious", **kind).value.amount
    assert valued("no_start:serious", f"{cause}:serious", **kind).value.amount >= without


def test_t22_order_of_the_ways_out(valued: Any) -> None:
    """T22: scrap, for repair, working with what is disclosed, sound."""
    for_repair = valued("fuel_leak_carb:serious", "paint_faded:serious")
    disclosed, sound = valued("paint_faded:serious").value.amount, valued().value.amount
    assert 12 < for_repair.value.amount < disclosed < sound, "scrap brings about 12"


def test_t37_an_unknown_leak_is_worth_naming(planned: Any) -> None:
    """T37: the leak of unknown source costs no less than the average named one, so looking has a value."""
    for kind in ({}, DEAR):
        looks = [step for step in planned("oil_leak_unknown:serious", **kind).steps if step.kind == "look"]
        assert max(step.brings for step in looks) > 0


@pytest.mark.parametrize("kind", [{}, CHEAP, DEAR])
def test_t47_sixty_psi_costs_nothing_with_a_release_and_much_without(
    valued: Any, kind: dict[str, Any]
) -> None:
    """T47: without a release it is a worn engine; whether one is fitted unknown, nobody is condemned for it."""
    low = {"compression_psi": 60}
    fitted, none = (valued(readings={**low, "compression_release": r}, **kind) for r in ("fitted", "none"))
    unmeasured, unknown = valued(**kind).value.amount, valued(readings=low, **kind).value.amount
    assert fitted.value.amount == unknown == unmeasured
    assert none.value.amount == valued("low_compression:serious", **kind).value.amount < 0.8 * unmeasured


GOOD = {
    "cold_pulls": 1,
    "blade_stop_s": [2.0, 2.1, 2.0],
    "smoke": "none",
    "hot_run": "held",
    "engine_rpm": 2900,
}
"""Readings of a sound machine, in the order in which they are taken."""

PASSED = ("recall", "bail", "shields", "blade_and_mount", "crank", "handle", "muffler")
"""Checks that are passed by a word, not by a reading."""


@pytest.mark.parametrize("month", [4, 11])
@pytest.mark.parametrize("kind", [{}, CHEAP, DEAR])
def test_t55_each_good_reading_lowers_neither_value_nor_ask_and_widens_no_range(
    mower_model: MowerModel, kind: dict[str, Any], month: int
) -> None:
    """T55: from nothing said to all of it looked over; in all the range is narrower for it."""
    told: list[dict[str, Any]] = [{"readings": dict(list(GOOD.items())[:n])} for n in range(len(GOOD) + 1)]
    told.append({"readings": GOOD, "checks": dict.fromkeys(PASSED, "passed")})
    told.append({**told[-1], "looked_over": True})
    asked = terms(month=month)
    sold = [machine(**{"looked_over": False, "checks": {}, **kind, **each}) for each in told]
    values = [found.value for found in value_machines(sold, mower_model, asked)]
    selling = mower_model.selling
    assert selling is not None
    asks = [float(found.ask or 0.0) for found in asking_prices(sold, mower_model, selling, asked)]
    amounts = [value.amount for value in values]
    widths = [math.log(value.high / value.low) for value in values]
    assert amounts == sorted(amounts)
    assert asks == sorted(asks)
    for before, after in pairwise(widths):
        assert after <= before + 1e-4, "both ends are rounded to cents"
    # By little: of running machines in the invented market prices of the tested spread by less than a tenth less.
    assert widths[-1] < 0.98 * widths[0]


@pytest.mark.parametrize("fault", ["hard_start", "starter_noise", "deck_rust_hole", "stiff_roll"])
def test_untested_is_not_sound(mower_model: MowerModel, fault: str) -> None:
    """A9: looked over and not there >= not looked for >= found; the range narrows by looking."""
    said = [machine(id="a"), machine(id="b", looked_over=None), machine(f"{fault}:serious", looked_over=None)]
    over, away, found = value_machines(said, mower_model, terms())
    assert over.value.amount > away.value.amount > found.value.amount
    assert away.value.high / away.value.low > over.value.high / over.value.low
    assert over.looking_adds == 0
    assert away.looking_adds == pytest.approx(over.value.amount - away.value.amount, abs=0.02)
    assert (away.looked_low, away.looked_high) == (over.value.low, over.value.high)
    assert fault in away.not_looked_for
    assert over.not_looked_for == ()


@pytest.mark.parametrize("faults", [["no_start:serious", "stale_fuel:serious"], ["recall_open:serious"]])
def test_what_looking_adds_is_what_one_looked_over_is_worth_more(
    mower_model: MowerModel, faults: list[str]
) -> None:
    """Where a symptom is priced in its cause's place too; nothing where no sale is allowed."""
    said = [machine(*faults, looked_over=over, checks={}) for over in (True, None)]
    over, away = value_machines(said, mower_model, terms())
    assert away.looking_adds == pytest.approx(over.value.amount - away.value.amount, abs=0.02)
    assert (away.looked_low, away.looked_high) == pytest.approx((over.value.low, over.value.high), abs=0.02)
    assert (away.looking_adds == 0) == ("recall_open:serious" in faults)


def test_who_shows_nothing_tested_gets_about_a_tenth_less(mower_model: MowerModel) -> None:
    """One not shown cold brings 7 % less, untested items besides (common practice, no source)."""
    (away,) = value_machines([machine(looked_over=None)], mower_model, terms())
    assert 0.05 < away.looking_adds / away.value.amount < 0.15


def test_readings_and_checks_that_pass_raise_the_value(mower_model: MowerModel) -> None:
    """A9: good readings and passed checks move value and range; those that show a fault do not raise it."""
    good = {"roll_pull_kgf": 1.8, "smoke": "none", "blade_stop_s": [2.0, 2.1, 2.2]}
    passed = {"shields": "passed", "deck": "passed"}
    said = [machine(looked_over=None), machine(looked_over=None, readings=good, checks=passed)]
    said.append(machine(looked_over=None, readings={"smoke": "steady"}))
    before, after, smokes = (each.value for each in value_machines(said, mower_model, terms()))
    assert after.amount > before.amount > smokes.amount
    assert after.high / after.low < before.high / before.low


def test_t49_a_ring_job_never_pays_on_a_190_machine(planned: Any) -> None:
    """T49: at 15 an hour, neither on the list nor alone."""
    assert "rings_hone" not in "+".join(ids(planned("low_compression:serious")))
    assert ids(planned("low_compression:serious", shop=shop_with(fix("rings_hone")))) == ()


def test_t51_cleaning_the_axles_comes_first_on_stiff_rolling(planned: Any) -> None:
    """T51: on a machine of 100 and more; they are not cleaned on one that is hardly worth its scrap."""
    assert ids(planned("stiff_roll:serious"))[0] == "wheel_clean_lube"
    assert "wheel_clean_lube" not in ids(planned("stiff_roll:serious", **CHEAP))


@pytest.mark.parametrize(("kind", "pays"), [(CHEAP, False), (DEAR, True)])
def test_t52_a_sump_gasket_is_for_machines_well_above_155(
    valued: Any, planned: Any, kind: dict[str, Any], *, pays: bool
) -> None:
    """T52: clearly bad below 120, clearly good above 250; near 155 it hardly matters, at 190 it hardly pays."""
    assert (valued(**kind).value.amount > 250) == pays
    assert (valued(**kind).value.amount > 120) == pays
    gasket = shop_with(fix("sump_gasket"))
    assert bool(planned("oil_leak_sump:serious", shop=gasket, **kind).steps) == pays
    assert planned("oil_leak_sump:serious", shop=gasket).expected_return < 0.1 * valued().value.amount


def test_t53_cleaning_the_jet_pays_on_a_good_machine_and_not_on_a_50_one(valued: Any, planned: Any) -> None:
    """T53: from a sound value of about 93."""
    assert 40 < valued(**CHEAP).value.amount < 60
    assert not planned("surging:serious", **CHEAP).steps
    assert planned("surging:serious").steps
