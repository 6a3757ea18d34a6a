"""Laws that hold for any machine and any terms."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.advice.fake import EFFECTS, FakeModel
from tests.advice.make import changed_shop, course, fix, ids, job, machine, shop_with, terms, told
from tests.advice.make import list_of as asked_of
from valuer.advice.work.done import NOTHING_DONE, Done
from valuer.advice.work.making import Making
from valuer.advice.work.workshop import usual_workshop
from valuer.advice.worth.lattice import lattices, scene_of
from valuer.domain.fixes import fix_catalogue, fixes_for, strip_down_needed
from valuer.domain.symptoms import symptom_for

PLAIN = sorted(name for name in set(EFFECTS) - {"recall_open", "estart_dead"} if symptom_for(name) is None)
"""Faults that are their own cause: their lists are exact."""
FAULTS = st.lists(st.sampled_from(PLAIN), min_size=1, max_size=4, unique=True)
SEVERITIES = st.lists(st.sampled_from(["slight", "serious"]), min_size=4, max_size=4)
SOUND = st.sampled_from([60.0, 120.0, 190.0, 400.0])
HOUR = st.sampled_from([0.0, 8.0, 15.0, 25.0])


def texts(faults: list[str], severities: list[str]) -> list[str]:
    """Faults as machine files write them."""
    return [f"{fault}:{severity}" for fault, severity in zip(faults, severities, strict=False)]


@settings(max_examples=25)
@given(FAULTS, SEVERITIES, SOUND, HOUR, st.floats(0, 3), st.floats(0, 3), st.floats(0, 60), st.floats(0, 60))
def test_more_hours_or_cash_never_lower_the_best_return(
    faults: list[str],
    severities: list[str],
    sound: float,
    hour: float,
    hours: float,
    more: float,
    cash: float,
    more_cash: float,
) -> None:
    """A wider limit holds every list of a narrower one, and no limit holds all."""
    found = texts(faults, severities)
    narrow, wide, free = (
        course(*found, sound=sound, hour_value=hour, **limits).returns
        for limits in ({"hours": hours, "cash": cash}, {"hours": hours + more, "cash": cash + more_cash}, {})
    )
    assert 0 <= narrow <= wide + 1e-9
    assert wide <= free + 1e-9


@settings(max_examples=25)
@given(FAULTS, SEVERITIES, SOUND, HOUR, st.floats(0, 1))
def test_cheaper_parts_never_lower_the_best_return(
    faults: list[str], severities: list[str], sound: float, hour: float, share: float
) -> None:
    """Any one fix with cheaper parts."""
    able = [item for fault in faults for item in fixes_for(fault)][:1]
    found = texts(faults, severities)
    cheap = changed_shop(*(fix(item.id, parts=[share * part for part in item.parts]) for item in able))
    before = course(*found, sound=sound, hour_value=hour)
    assert course(*found, sound=sound, hour_value=hour, shop=cheap).returns >= before.returns - 1e-9


@settings(max_examples=25)
@given(FAULTS, SEVERITIES, SOUND, HOUR)
def test_the_worst_case_is_no_better_than_what_is_expected(
    faults: list[str], severities: list[str], sound: float, hour: float
) -> None:
    """Worst-case hours and cash hold the expected ones, and no list brings less than leaving everything."""
    found = course(*texts(faults, severities), sound=sound, hour_value=hour)
    assert found.worst_hours >= found.hours - 1e-9
    assert found.worst_cash >= found.cash - 1e-9
    assert found.returns >= 0


@settings(max_examples=25)
@given(FAULTS, SEVERITIES, SOUND, HOUR, st.floats(0, 40))
def test_a_margin_never_adds_to_the_return(
    faults: list[str], severities: list[str], sound: float, hour: float, margin: float
) -> None:
    """The margin a fix must clear guards against noisy estimates: what is left still clears it."""
    found = texts(faults, severities)
    free = course(*found, sound=sound, hour_value=hour)
    careful = course(*found, sound=sound, hour_value=hour, margin=margin)
    assert careful.returns <= free.returns + 1e-9
    assert careful.score >= -1e-9


@pytest.mark.parametrize("name", sorted({"crank_seal", "brake_pad", "blade_new"}))
@pytest.mark.parametrize("hour", [0.0, 15.0])
def test_a_fix_of_odds_nought_is_never_advised(name: str, hour: float) -> None:
    """However cheap the hour and however dear the machine."""
    cures = fix_catalogue()[name].cures
    useless = shop_with(fix(name, odds=dict.fromkeys(cures, 0.0)))
    plain = [fault for fault in cures if symptom_for(fault) is None]
    assert plain
    assert (
        ids(told(*(f"{fault}:serious" for fault in plain), sound=800.0, hour_value=hour, shop=useless)) == ()
    )


def test_a_margin_above_the_gain_leaves_the_fault_in() -> None:
    """What a seal brings is cleared by a margin just below it and not by one just above."""
    gain = course("oil_leak_seal:serious", shop=shop_with(fix("crank_seal"))).returns
    assert gain > 0
    below, above = (
        course("oil_leak_seal:serious", shop=shop_with(fix("crank_seal")), margin=gain + by)
        for by in (-0.5, 0.5)
    )
    assert below.works
    assert not above.works


def test_a_part_pays_until_its_price() -> None:
    """A13: the price told is where it stops paying, and own prices and hours are taken."""
    step = told("oil_leak_seal:serious", shop=shop_with(fix("crank_seal"))).steps[0]
    assert step.pays_until is not None
    for by, works in ((-0.5, True), (0.5, False)):
        priced = fix("crank_seal", parts=[step.pays_until + by] * 2)
        assert course("oil_leak_seal:serious", shop=shop_with(priced)).works == works


def test_own_prices_and_hours_of_a_machine_and_of_the_shop_are_taken() -> None:
    """A13: those of the machine before those of the shop."""
    shop = told("oil_leak_seal:serious", own_parts={"crank_seal": 11.0}, own_hours={"crank_seal": 0.3})
    assert shop.steps[0].parts == 11.0
    assert shop.steps[0].minutes == pytest.approx((0.3 + 0.25) * 60)
    leak = machine("oil_leak_seal:serious", own_parts={"crank_seal": 13.0})
    assert asked_of(leak).steps[0].parts == 13.0
    dear = machine("oil_leak_seal:serious", own_parts={"crank_seal": 900.0})
    assert "crank_seal" not in "".join(ids(asked_of(dear)))


def test_a_part_that_is_new_is_not_advised() -> None:
    """A13."""
    assert "crank_seal" in ids(asked_of(machine("oil_leak_seal:serious")))
    assert "crank_seal" not in ids(asked_of(machine("oil_leak_seal:serious", new_parts=["crank_seal"])))


def test_a_seized_engine_can_be_said() -> None:
    """A13: the cause of a non-runner known for sure is no longer looked for."""
    found = asked_of(machine("no_start:serious", causes={"no_start": "seized"}), sound=400.0)
    assert [cause.cause for cause in found.symptoms[0].causes] == ["seized"]
    assert not any(step.kind == "look" for step in found.steps)


def test_a_doubtful_reading_measured_away_is_no_fault() -> None:
    """Measured again and not there: nothing is done about it."""
    doubt = machine(readings={"roll_pull_kgf": [2.3]})
    after = asked_of(doubt, done=Done(frozenset(), {}, {"again_stiff_roll": "not there"}), sound=400.0)
    assert after.steps == ()


def test_every_fix_of_a_session_shares_strip_down_with_another() -> None:
    """Coil and starter are both under the shroud; the carburettor is beside them and saves nothing."""
    acts = job("weak_spark:serious", "starter_noise:serious", "fuel_leak_carb:serious", sound=400.0).acts
    sessions = [act.names for act in acts if len(act.names) > 1]
    assert sessions
    for names in sessions:
        opened = {name: set(strip_down_needed([fix_catalogue()[name]])) for name in names}
        for name in names:
            assert any(opened[name] & opened[other] for other in names if other != name), names


def test_a_dearer_hour_makes_what_is_followed_dearer_by_its_hours() -> None:
    """What a symptom's fixes and looks cost when the best of them are chosen: parts, and own hours at their worth."""
    cheap, dear = (job("no_start:serious", sound=400.0, hour_value=hour) for hour in (10.0, 20.0))
    first, second = (each.stories[0].riddle for each in (cheap, dear))
    hours = {name: cheap.shop.together([cheap.shop.names.index(name)]) for name in cheap.shop.names}
    cost = [dict(zip(riddle.fixes, riddle.costs.tolist(), strict=True)) for riddle in (first, second)]
    both = cost[0].keys() & cost[1].keys()
    assert both
    assert all(cost[1][name] - cost[0][name] == pytest.approx(10.0 * hours[name]) for name in both)
    assert all(one.cost < other.cost for one, other in zip(first.looks, second.looks, strict=True))


@pytest.mark.parametrize("fault", ["no_start:serious", "surging:slight"])
def test_a_symptom_on_which_nothing_pays_is_still_told_with_what_is_known(fault: str) -> None:
    """At 300 an hour nothing is done; the cause named stays named, and a fix that failed leaves the others likelier."""
    name, asked = fault.partition(":")[0], {"sound": 60.0, "hour_value": 300.0}
    (before,) = told(fault, sound=400.0).symptoms
    known = told(fault, causes={name: "jet_plugged"}, **asked)
    failed = told(fault, done=Done(frozenset(), {name: frozenset({"carb_ultrasonic"})}), **asked)
    assert not known.steps
    assert not failed.steps
    assert [cause.cause for cause in known.symptoms[0].causes] == ["jet_plugged"]
    chances = [
        {c.cause: c.chance for c in each.causes}["jet_plugged"] for each in (before, failed.symptoms[0])
    ]
    assert chances[1] < chances[0]


def test_a_cure_alone_brings_no_more_than_from_the_lowest_it_may_stand_at() -> None:
    """400 when sound, 400 x .3 = 120 as a non-runner, and less where looks point to a cause that buyers fear."""
    alone = job("no_start:serious", sound=400.0)
    low, high = alone.stories[0].riddle.named.span
    assert low < 1 < high
    assert alone.gains == pytest.approx([400 - 120 * low])


def test_no_symptom_is_left_out_to_make_room_for_another() -> None:
    """Only faults that need no looking for: what is wrong with a symptom is to be found out."""
    small = ("dirty:serious", "paint_faded:slight", "blade_dull:serious", "cable_frayed:serious")
    one = machine(
        "oil_leak_unknown:serious", "surging:slight", "bag_missing:serious", "stiff_roll:serious", *small
    )
    (lattice,) = lattices([scene_of(one, terms())], FakeModel(400.0), terms())
    maker = Making(lattice, FakeModel(400.0), terms(), usual_workshop(), NOTHING_DONE)
    symptoms = {axis for axis, item in enumerate(lattice.findings) if symptom_for(item.fault)}
    nothing, some = maker.left_out()
    assert not nothing
    assert some
    assert symptoms.isdisjoint(some)
