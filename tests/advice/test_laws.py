"""Laws that hold for any machine and any terms."""

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.advice.fake import EFFECTS
from tests.advice.make import bay, changed_shop, fix
from valuer.advice.work.policies import usual_workshop
from valuer.advice.work.search import best_plan
from valuer.domain.fixes import fix_catalogue, fixes_for

ABLE = sorted(set(EFFECTS) - {"recall_open", "estart_dead"})
FAULTS = st.lists(st.sampled_from(ABLE), min_size=1, max_size=4, unique=True)
SEVERITIES = st.lists(st.sampled_from(["slight", "serious"]), min_size=4, max_size=4)
SOUND = st.sampled_from([60.0, 120.0, 190.0, 400.0])
HOUR = st.sampled_from([0.0, 8.0, 15.0, 25.0])


def texts(faults: list[str], severities: list[str]) -> list[str]:
    """Faults as machine files write them."""
    return [f"{fault}:{severity}" for fault, severity in zip(faults, severities, strict=False)]


@settings(max_examples=60)
@given(FAULTS, SEVERITIES, SOUND, HOUR, st.floats(0, 3), st.floats(0, 3))
def test_more_hours_never_lower_the_best_return(
    faults: list[str], severities: list[str], sound: float, hour: float, hours: float, more: float
) -> None:
    """A wider limit holds every plan of a narrower one."""
    case = bay(*texts(faults, severities), sound=sound, hour_value=hour).case
    assert best_plan(case, hours + more).returns >= best_plan(case, hours).returns - 1e-9
    assert best_plan(case).returns >= best_plan(case, hours).returns - 1e-9


@settings(max_examples=60)
@given(FAULTS, SEVERITIES, SOUND, HOUR, st.floats(0, 60), st.floats(0, 60))
def test_more_cash_never_lowers_the_best_return(
    faults: list[str], severities: list[str], sound: float, hour: float, cash: float, more: float
) -> None:
    """The same for cash."""
    case = bay(*texts(faults, severities), sound=sound, hour_value=hour).case
    assert best_plan(case, None, cash + more).returns >= best_plan(case, None, cash).returns - 1e-9


@settings(max_examples=60)
@given(FAULTS, SEVERITIES, SOUND, HOUR)
def test_a_plan_never_brings_less_than_leaving_everything(
    faults: list[str], severities: list[str], sound: float, hour: float
) -> None:
    """Doing nothing is always a plan, and fits any limit."""
    case = bay(*texts(faults, severities), sound=sound, hour_value=hour).case
    assert best_plan(case, 0.0, 0.0).returns >= 0
    assert best_plan(case).returns >= 0


@settings(max_examples=40)
@given(FAULTS, SEVERITIES, SOUND, HOUR, st.sampled_from(sorted(EFFECTS)), st.floats(0, 1))
def test_cheaper_parts_never_lower_the_best_return(
    faults: list[str], severities: list[str], sound: float, hour: float, on: str, share: float
) -> None:
    """Any one fix with cheaper parts."""
    able = fixes_for(on)
    assume(able)
    cheap = fix(able[0].id, parts=[share * part for part in able[0].parts])
    before = best_plan(bay(*texts(faults, severities), sound=sound, hour_value=hour).case)
    after = best_plan(
        bay(*texts(faults, severities), sound=sound, hour_value=hour, shop=changed_shop(cheap)).case
    )
    assert after.returns >= before.returns - 1e-9


@pytest.mark.parametrize("name", sorted({"crank_seal", "recoil_new", "belt_new", "brake_pad", "blade_new"}))
@pytest.mark.parametrize("hour", [0.0, 15.0])
def test_a_fix_of_odds_nought_is_never_advised(name: str, hour: float) -> None:
    """However cheap the hour and however dear the machine."""
    cures = fix_catalogue()[name].cures
    useless = changed_shop(fix(name, odds=dict.fromkeys(cures, 0.0)))
    at = bay(*(f"{fault}:serious" for fault in cures), sound=800.0, hour_value=hour, shop=useless)
    plan = best_plan(at.case)
    place = at.case.shop.names.index(name)
    assert place not in {*plan.first, *(tried for tries in plan.tries for tried in tries)}


@settings(max_examples=40)
@given(FAULTS, SEVERITIES, SOUND, HOUR)
def test_the_worst_case_is_no_better_than_what_is_expected(
    faults: list[str], severities: list[str], sound: float, hour: float
) -> None:
    """Worst-case hours and cash hold the expected ones."""
    plan = best_plan(bay(*texts(faults, severities), sound=sound, hour_value=hour).case)
    assert plan.worst_hours >= plan.hours - 1e-9
    assert plan.worst_cash >= plan.cash - 1e-9


@settings(max_examples=30)
@given(FAULTS, SEVERITIES, SOUND, HOUR, st.floats(0, 40))
def test_a_margin_never_adds_work(
    faults: list[str], severities: list[str], sound: float, hour: float, margin: float
) -> None:
    """The margin a fix must clear guards against noisy estimates: it only ever takes fixes off."""
    free = best_plan(bay(*texts(faults, severities), sound=sound, hour_value=hour).case)
    careful = best_plan(bay(*texts(faults, severities), sound=sound, hour_value=hour, margin=margin).case)
    assert len(careful.first) <= len(free.first) or careful.returns <= free.returns + 1e-9
    assert careful.returns - margin * len(careful.first) >= -1e-9


def test_a_margin_above_the_gain_leaves_the_fault_in() -> None:
    """A seal that brings 190 x .38 x .78 - 18.50 = 37.82 clears a margin of 37 and not one of 39."""
    shop = usual_workshop()
    seal = shop.names.index("crank_seal")
    assert best_plan(bay("oil_leak_seal:serious", margin=37.0).case).first == (seal,)
    assert not best_plan(bay("oil_leak_seal:serious", margin=39.0).case).works
