"""The most to pay before a machine is taken in."""

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import terms
from tests.advice.make import untested as machine
from valuer.advice.deal.purchase import DRAWS, UNKNOWN, imagined, kind_of, purchase_limits
from valuer.advice.worth.lattice import Scene, scene_of
from valuer.advice.worth.untested import chances_of, not_looked_for
from valuer.domain.faults import fault_catalogue

EVERYTHING = tuple(fault_catalogue())


def not_known(scene: Scene, sound: tuple[str, ...]) -> tuple[str, ...]:
    """The faults nobody looked for."""
    return not_looked_for(scene.machine, scene.findings, sound)


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
    checks = 61 / 60 * 15  # the safety checks still to be passed before it is sold as working, 61 minutes
    expected = 190 - (26.5714 + 2.28) - 12.0 / (1 - 0.1667) - 12.50 - checks
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
    """Stale fuel is on 45 to 60 in 100 (common practice); a quarter of that counts on a machine not seen yet."""
    scene = scene_of(machine(), terms())
    drawn = imagined(scene, ("stale_fuel",))
    assert len(drawn) == DRAWS
    share = sum(bool(item.findings) for item in drawn) / DRAWS
    assert share == pytest.approx(0.525 * UNKNOWN, abs=0.1)


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


def test_a_passed_check_and_a_word_rule_out_what_they_would_have_shown() -> None:
    """No smoke seen on a run rules smoke out; guards found whole, that one is missing."""
    looked = scene_of(machine(readings={"smoke": "none"}, checks={"shields": "passed"}), terms())
    open_faults = not_known(looked, ())
    assert {"smoke_blue", "guard_missing"}.isdisjoint(open_faults)
    assert {"smoke_blue", "guard_missing"} <= set(not_known(scene_of(machine(), terms()), ()))


def test_a_machine_known_to_run_has_the_faults_of_running_machines() -> None:
    """Stale fuel: on 45 to 60 in 100 taken in, on 15 to 20 in 100 that run (common practice, no source).

    A timed blade stop shows that it runs, as looking for no_start does; a machine that does not start is not
    made to run by an old reading.
    """
    timed = scene_of(machine(readings={"blade_stop_s": [2.1]}), terms())
    dead = scene_of(machine("no_start:serious", readings={"blade_stop_s": [2.1]}), terms())
    assert kind_of(timed, ()) == kind_of(scene_of(machine(), terms()), ("no_start",))
    assert kind_of(timed, ()) == "running machines listed"
    assert kind_of(dead, ()) == kind_of(scene_of(machine(), terms()), ()) == "machines taken in"
    share = [
        sum(bool(item.findings) for item in imagined(timed, ("stale_fuel",), kind))
        for kind in ("running machines listed", "machines taken in")
    ]
    assert share[0] < share[1] / 2
    assert limit(looked_for=("no_start",)) > limit() + 10.0


def test_cause_and_symptom_are_imagined_as_one_loss() -> None:
    """Stale fuel brings hard starting about: no imagined machine bears both."""
    drawn = imagined(scene_of(machine(), terms()), ("stale_fuel", "hard_start"))
    assert all(len(item.findings) <= 1 for item in drawn)
    assert {item.findings[0].fault for item in drawn if item.findings} == {"stale_fuel", "hard_start"}


def test_a_machine_under_recall_is_not_fetched_at_any_price() -> None:
    """15 USC 2068(a)(2)(B): a recalled product is not sold, and the maker's remedy is free to its owner."""
    found = purchase_limits(
        [machine("recall_open:serious")], FakeModel(400.0), terms(), sound=EVERYTHING, asked=5.0
    )[0]
    assert found.verdict == "do not fetch it"
    assert found.most_to_pay == 0.0
    assert "recall" in found.reason


def test_warnings_are_about_the_machine_and_not_an_imagined_one() -> None:
    """Nothing was found on it, so no warning names a fault."""
    lines = purchase_limits([machine()], FakeModel(), terms())[0].warnings
    assert not [name for name in EVERYTHING if any(name in line.split() for line in lines)]


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


@pytest.mark.parametrize(
    ("fault", "more"), [("deck_rust_hole", 1.5), ("cable_frayed", 1.5), ("smoke_blue", 1.0)]
)
def test_what_stood_outside_has_more_rust_and_stiff_cables_but_no_worse_engine(
    fault: str, more: float
) -> None:
    """Half as many again (judgement, no source)."""
    (inside,), (outside,) = (
        chances_of([fault], machine(kept=kept), runs=True, counted=0.1) for kept in ("inside", "outside")
    )
    assert outside == pytest.approx(more * inside)
