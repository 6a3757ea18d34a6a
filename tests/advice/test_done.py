"""After work that worked or failed, the rest is decided again from there."""

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import ids, list_of, machine, terms
from valuer.advice.work.bench import rank_bench
from valuer.advice.work.done import Done, done_work

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
    """T46: the cure takes the fault off the list; the gate asks for both dry readings before any sale."""
    leak = machine("fuel_leak_carb:serious")
    found = list_of(leak, done=done_work(leak.faults, {"carb_new_generic": "worked"}))
    assert found.steps == ()
    assert found.value_after == 190
    assert found.safety.must_cure == ()
    assert "fuel" in found.safety.unchecked
    assert not found.safety.may_be_sold


def test_a_cured_key_still_asks_for_the_crank() -> None:
    """T54: a key that sheared hit something."""
    key = machine("sheared_key:serious", checks={})
    found = list_of(key, done=done_work(key.faults, {"flywheel_key": "worked"}))
    assert "crank" in found.safety.unchecked


def test_after_everything_failed_the_machine_goes_as_it_stands() -> None:
    """A machine whose only cure failed: stop, and the same cure is not advised again (A5)."""
    deck = machine("deck_rust_hole:serious")
    assert ids(list_of(deck, sound=400.0)) == ("deck_donor",)
    after = list_of(deck, done=done_work(deck.faults, {"deck_donor": "failed"}), sound=400.0)
    assert after.steps == ()
    assert "deck_donor" not in {other.id for other in after.others}


@pytest.mark.parametrize(
    ("faults", "failed"),
    [
        (("oil_leak_sump:serious",), "sump_gasket"),
        (("fuel_leak_line:serious",), "fuel_line"),
        (("surging:serious",), "carb_ultrasonic"),
        (("no_start:serious",), "used_engine"),
        (("hard_start:serious", "dirty:serious"), "carb_ultrasonic"),
    ],
)
def test_what_failed_is_never_advised_again(faults: tuple[str, ...], failed: str) -> None:
    """A5: the same gasket cures nothing more, wherever in the list it might stand."""
    one = machine(*faults)
    done = done_work(one.faults, {f"{failed}:{one.faults[0].fault}": "failed"})
    after = list_of(one, done=done, sound=400.0)
    works_on = {p.id: p.faults for step in after.steps for p in step.parts_of_it}
    assert one.faults[0].fault not in works_on.get(failed, ())
    assert failed not in {other.id for other in after.others}


def test_a_lesser_cleaning_after_the_bath_failed_has_lesser_odds() -> None:
    """A5: what the ultrasonic bath did not cure, a clean in place cures hardly ever, if at all."""
    one = machine("surging:serious")
    fresh, after = (
        list_of(one, terms(hour_value=0.0), done, sound=400.0)
        for done in (None, done_work(one.faults, {"carb_ultrasonic": "failed"}))
    )
    odds = [
        max(
            (
                result.chance
                for step in found.steps
                if "carb_clean_in_place" in ids(found)[step.number - 1]
                for result in step.results
                if result.shows == "cured"
            ),
            default=0.0,
        )
        for found in (fresh, after)
    ]
    assert odds[1] < 0.1


def test_a_look_that_showed_a_crack_changes_the_list() -> None:
    """A5: what a look showed moves the chances and what is done."""
    one = machine("oil_leak_unknown:serious")
    before = list_of(one, sound=400.0)
    after = list_of(one, done=Done(frozenset(), {}, {"oil_leak_find": "sump"}), sound=400.0)
    assert after.symptoms[0].causes[0].cause == "sump_joint"
    assert after.symptoms[0].causes[0].chance > 0.85
    assert ids(after) != ids(before)


def test_work_done_on_one_machine_leaves_the_others() -> None:
    """Results are kept by machine."""
    two = [machine("dirty:serious", id="a"), machine("dirty:serious", id="b")]
    ranked = rank_bench(two, FakeModel(), terms(), done={"a": Done(frozenset({"dirty"}), {})})
    assert {row.id: row.value_now for row in ranked.machines} == {"a": 190.0, "b": 161.5}
