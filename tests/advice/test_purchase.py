"""The most to pay before a machine is taken in."""

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.lattice import scene_of
from valuer.advice.purchase import DRAWS, imagined, not_known, purchase_limits
from valuer.domain.faults import fault_catalogue

EVERYTHING = tuple(fault_catalogue())


def limit(*faults: str, sound: float = 190.0, looked_for: tuple[str, ...] = (), **asked: float) -> float:
    """The limit in money; ``looked_for`` faults are known not to be there."""
    want, per_hour = asked.pop("want", 0.0), asked.pop("want_per_hour", None)
    found = purchase_limits(
        [machine(*faults)],
        FakeModel(sound),
        terms(**asked),
        sound=looked_for,
        want=want,
        want_per_hour=per_hour,
    )
    return found[0].limit


def test_limit_of_a_machine_that_is_known_to_be_sound_by_hand() -> None:
    """Sound at 190, nothing unknown: price less selling, trip and first look.

    Selling .6 + 6 x .1 + .3/.7 x .4 + .4 = 1.7714 h and 1.2 % for come-backs: 26.571 + 2.28. Trip at no
    miles: .8 h x 15 / (1 - .1667) = 14.4006. First look .3 h, 6 of consumables, 2 of tools: 12.50.
    """
    expected = 190 - (26.5714 + 2.28) - 12.0 / (1 - 0.1667) - 12.50
    assert limit(looked_for=EVERYTHING, trip_miles=0.0) == pytest.approx(expected, abs=0.01)


def test_a_hundred_miles_cost_seventy() -> None:
    """The mileage rate of 2025 is 70 cents a mile (IRS notice 2025-5, second hand); no trip wasted here."""
    near = limit(looked_for=EVERYTHING, trip_miles=0.0, wasted_trips=0.0)
    far = limit(looked_for=EVERYTHING, trip_miles=100.0, wasted_trips=0.0)
    assert near - far == pytest.approx(70.0)


def test_a_wanted_return_comes_off_the_limit() -> None:
    """Thirty more to be left over is thirty less to pay."""
    assert limit("dirty:slight") - limit("dirty:slight", want=30.0) == pytest.approx(30.0)


def test_wanted_per_hour_pays_every_hour_trip_and_sale_included() -> None:
    """At the limit, money left over per own hour is what was asked: (proceeds - cash - price) / hours."""
    found = purchase_limits(
        [machine("oil_leak_seal:serious")], FakeModel(400.0), terms(), want_per_hour=20.0, sound=EVERYTHING
    )[0]
    cash = sum(line.cash for line in found.costs)
    assert (found.proceeds - cash - found.limit) / found.hours == pytest.approx(20.0, abs=0.02)


def test_asking_more_per_hour_lowers_the_limit() -> None:
    """A dearer hour leaves less for the seller."""
    limits = [limit("starter_noise:serious", want_per_hour=hour) for hour in (0.0, 10.0, 20.0, 40.0)]
    assert limits == sorted(limits, reverse=True)


def test_what_nobody_looked_for_costs() -> None:
    """Unknown faults count at their share, so that an untested machine bears less."""
    assert limit() < limit(looked_for=EVERYTHING)


def test_unknown_faults_come_at_their_share_among_machines_taken_in() -> None:
    """Stale fuel is on 45 to 60 in 100 (common practice): about half the imagined machines."""
    scene = scene_of(machine(), terms())
    drawn = imagined(scene, ("stale_fuel",))
    assert len(drawn) == DRAWS
    share = sum(bool(item.findings) for item in drawn) / DRAWS
    assert share == pytest.approx(0.525, abs=0.2)


def test_the_same_machines_are_imagined_for_every_question() -> None:
    """Two answers differ by the question, not by chance."""
    scene = scene_of(machine(), terms())
    assert imagined(scene, ("stale_fuel", "dirty")) == imagined(scene, ("stale_fuel", "dirty"))


def test_a_measured_fault_is_not_unknown() -> None:
    """A rolling pull that passes proves that it rolls; a declared fault, and what it explains, is known."""
    rolls = scene_of(machine("weak_spark:serious", readings={"roll_pull_kgf": 1.8}), terms())
    open_faults = not_known(rolls, ())
    assert "stiff_roll" not in open_faults
    assert "weak_spark" not in open_faults
    assert "no_start" not in open_faults
    assert "estart_dead" in not_known(scene_of(machine(), terms()), ())
    assert "drive_none" not in not_known(scene_of(machine(drive="push"), terms()), ())


@pytest.mark.parametrize(("asked", "verdict"), [(20.0, "fetch it"), (170.0, "do not fetch it")])
def test_verdict_on_an_asking_price(asked: float, verdict: str) -> None:
    """A sound machine that leaves about 134 after all costs (see the sum above)."""
    found = purchase_limits([machine()], FakeModel(), terms(trip_miles=0.0), asked=asked, sound=EVERYTHING)[0]
    assert found.verdict == verdict
    assert f"{asked:.0f}" in found.reason


def test_the_band_holds_the_limit() -> None:
    """One time in ten worse than low, one in ten better than high."""
    found = purchase_limits([machine("dirty:slight")], FakeModel(), terms())[0]
    assert found.low <= found.limit <= found.high
    assert found.low < found.high
