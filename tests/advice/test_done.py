"""After work that worked or failed, the rest is decided again from there."""

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.work.bench import rank_bench
from valuer.advice.work.done import Done, done_work
from valuer.advice.work.fix_plan import plan_fixes

LEAK = machine("fuel_leak_carb:serious", "surging:slight", "dirty:serious")


def test_what_worked_is_gone_and_what_failed_is_remembered() -> None:
    """By fix, or by fix and fault where a fix acts on several."""
    found = done_work(LEAK.faults, {"deck_scrape": "worked", "carb_new_generic:fuel_leak_carb": "failed"})
    assert found == Done(frozenset({"dirty"}), {"fuel_leak_carb": frozenset({"carb_new_generic"})})


def test_a_fix_that_failed_without_a_fault_named_failed_on_all_it_acts_on() -> None:
    """The carburettor acts on the leak and on the surging."""
    found = done_work(LEAK.faults, {"carb_new_generic": "failed"})
    assert set(found.failed) == {"fuel_leak_carb", "surging"}


@pytest.mark.parametrize(
    ("results", "message"),
    [
        ({"carb_new_generc": "failed"}, "fix must be.*did you mean .carb_new_generic"),
        ({"deck_scrape": "broke"}, "result of deck_scrape"),
        ({"crank_seal": "failed"}, "acts on no fault of this machine"),
        ({"carb_new_generic": "worked"}, "say which it cured"),
        ({"carb_new_generic:dirty": "failed"}, "fault that carb_new_generic acts on here"),
    ],
)
def test_what_is_not_clear_is_refused(results: dict[str, str], message: str) -> None:
    """One line: what was expected, what came, what to do."""
    with pytest.raises(ValueError, match=message):
        done_work(LEAK.faults, results)


def test_a_cured_leak_is_no_longer_there_and_has_to_be_proved_dry() -> None:
    """T46: the cure takes the fault off the plan; the gate asks for both dry readings before any sale."""
    leak = machine("fuel_leak_carb:serious")
    done = {"m": done_work(leak.faults, {"carb_new_generic": "worked"})}
    plan = plan_fixes([leak], FakeModel(), terms(), done=done)[0]
    assert plan.value.amount == 190
    assert plan.best.fixes == ()
    assert plan.safety.must_cure == ()
    assert "fuel" in plan.safety.unchecked
    assert not plan.safety.may_be_sold


def test_a_cured_key_still_asks_for_the_crank() -> None:
    """T54: a key that sheared hit something."""
    key = machine("sheared_key:serious")
    done = {"m": done_work(key.faults, {"flywheel_key": "worked"})}
    plan = plan_fixes([key], FakeModel(), terms(), done=done)[0]
    assert "crank" in plan.safety.unchecked


def test_after_everything_failed_the_machine_goes_as_it_stands() -> None:
    """A cheap machine whose only cure failed twice over: stop."""
    deck = machine("deck_rust_hole:serious")
    done = {"m": done_work(deck.faults, {"deck_donor": "failed"})}
    plan = plan_fixes([deck], FakeModel(400.0), terms(), done=done)[0]
    assert plan_fixes([deck], FakeModel(400.0), terms())[0].best.fixes == ("deck_donor",)
    assert plan.best.fixes == ()


def test_work_done_on_one_machine_leaves_the_others() -> None:
    """Results are kept by machine."""
    two = [machine("dirty:serious", id="a"), machine("dirty:serious", id="b")]
    ranked = rank_bench(two, FakeModel(), terms(), done={"a": Done(frozenset({"dirty"}), {})})
    assert {row.id: row.value_now for row in ranked.machines} == {"a": 190.0, "b": 161.5}
