"""Symptoms: chances that sum to 1, and Bayes' rule done by hand."""

# ruff: noqa: N802 - a test that answers a fact of the trade carries its number

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.domain.bench import machine
from valuer.domain.catalogue import CatalogueError, read_catalogue
from valuer.domain.safety import cautions_for
from valuer.domain.symptoms import (
    Look,
    Symptom,
    Symptoms,
    check_symptoms,
    likelihood,
    look_actions,
    looks,
    may_cure,
    outcome_chances,
    posterior,
    prior,
    symptom_catalogue,
    symptom_for,
    updated,
    usual_odds,
)

SYMPTOMS = symptom_catalogue()
SETTLED = [(symptom, look) for symptom in SYMPTOMS.values() for look in looks(symptom)]


def after(symptom: str, **readings: Any) -> dict[str, float]:
    return posterior(SYMPTOMS[symptom], machine(**readings).readings)


@pytest.mark.parametrize("symptom", SYMPTOMS.values(), ids=lambda s: s.id)
def test_chances_of_causes_sum_to_one(symptom: Symptom) -> None:
    assert sum(prior(symptom).values()) == pytest.approx(1.0)


@pytest.mark.parametrize(("symptom", "look"), SETTLED, ids=lambda one: one.id)
def test_outcomes_cover_everything_under_each_cause(symptom: Symptom, look: Look) -> None:
    for cause in symptom.causes:
        assert sum(likelihood(look, outcome, cause) for outcome in look.outcomes) == pytest.approx(1.0)


@given(st.sampled_from(SETTLED), st.data())
def test_a_look_moves_beliefs_but_not_their_mean(pair: tuple[Symptom, Look], data: st.DataObject) -> None:
    """Law of total probability: beliefs after, weighted by the outcomes, are the beliefs before."""
    symptom, look = pair
    weights = data.draw(
        st.lists(st.floats(0.01, 1), min_size=len(symptom.causes), max_size=len(symptom.causes))
    )
    beliefs = {cause: weight / sum(weights) for cause, weight in zip(symptom.causes, weights, strict=True)}
    chances = outcome_chances(look, beliefs)
    assert sum(chances.values()) == pytest.approx(1.0)
    for cause, chance in beliefs.items():
        mean = sum(chances[outcome] * updated(look, outcome, beliefs)[cause] for outcome in chances)
        assert mean == pytest.approx(chance)


def test_bayes_by_hand() -> None:
    """Two causes, .3 and .7; seen with .9 and .2: .27 / (.27 + .14) = .6585."""
    look = Look.model_validate(
        {
            "id": "l",
            "name": "l",
            "hours": 0.1,
            "outcomes": {"yes": {"seen": {"a": 0.9}, "others": 0.2}, "no": {}},
            "mark": "from memory",
        }
    )
    beliefs = {"a": 0.3, "b": 0.7}
    assert outcome_chances(look, beliefs) == pytest.approx({"yes": 0.41, "no": 0.59})
    assert updated(look, "yes", beliefs)["a"] == pytest.approx(0.6585, abs=1e-4)
    assert updated(look, "no", beliefs)["a"] == pytest.approx(0.03 / 0.59)


def test_a_wet_test_tells_rings_from_valves() -> None:
    """A spoon of oil raises the reading: rings; not: valves (US Army technical manual, published)."""
    before = prior(SYMPTOMS["low_compression"])
    rises = after("low_compression", compression_psi=50, wet_compression_psi=70)
    stays = after("low_compression", compression_psi=50, wet_compression_psi=51)
    assert rises["rings_worn"] > 0.8 > before["rings_worn"] > stays["rings_worn"]
    assert max(stays, key=lambda cause: stays[cause]) == "valve_leak"
    assert stays["head_gasket"] > before["head_gasket"]


def test_T44_the_battery_meter_gives_the_shares_of_the_trade() -> None:
    """Flat: battery 85 %; good but no crank: wiring 55, motor 40 %: common practice, no source."""
    flat, good = after("estart_dead", battery_rest_v=9.8), after("estart_dead", battery_rest_v=12.7)
    assert flat["battery"] == pytest.approx(0.85, abs=0.05)
    assert good["wiring"] == pytest.approx(0.55, abs=0.05)
    assert good["motor"] == pytest.approx(0.40, abs=0.05)


@pytest.mark.parametrize(
    ("sign", "cause"), [({"oil_level": "over_full"}, "overfilled"), ({"just_tipped": True}, "tipped")]
)
def test_T48_smoke_after_tipping_or_over_filling_is_hardly_the_rings(
    sign: dict[str, object], cause: str
) -> None:
    found = after("smoke_blue", **sign)
    assert max(found, key=lambda name: found[name]) == cause
    assert found["rings_worn"] < 0.05


@pytest.mark.parametrize("release", [{}, {"compression_release": "unknown"}])
def test_T47_compression_says_nothing_while_the_release_is_unknown(release: dict[str, str]) -> None:
    assert after("no_start", compression_psi=40, **release) == prior(SYMPTOMS["no_start"])
    assert after("no_start", compression_psi=40, compression_release="none")["valve_leak"] > 0.2


def test_a_look_taken_by_hand_comes_before_a_reading() -> None:
    symptom, readings = SYMPTOMS["no_start"], machine(spark_gap_mm=0).readings
    assert posterior(symptom, readings, {"spark": "good"})["coil_dead"] < prior(symptom)["coil_dead"]
    assert posterior(symptom, readings)["coil_dead"] > prior(symptom)["coil_dead"]


@pytest.mark.parametrize(
    ("seen", "line"),
    [
        ({"sparks": "good"}, "did you mean 'spark'?"),
        ({"spark": "god"}, "outcome of spark must be one of none, good"),
    ],
)
def test_an_unknown_look_or_outcome_is_an_error(seen: dict[str, str], line: str) -> None:
    with pytest.raises(ValueError, match="must be") as caught:
        posterior(SYMPTOMS["no_start"], machine().readings, seen)
    assert line in str(caught.value)


def test_the_three_tests_split_a_dead_engine_as_the_trade_says() -> None:
    """Fuel side 60 to 65 %, spark 15 to 20 %: two judgements, common practice, no source."""
    symptom = SYMPTOMS["no_start"]
    chances = outcome_chances(symptom.looks["three_tests"], prior(symptom))
    assert chances["fuel_side"] == pytest.approx(0.60, abs=0.06)
    assert chances["spark"] == pytest.approx(0.18, abs=0.05)


def test_which_faults_are_symptoms() -> None:
    assert symptom_for("fuel_leak_line") == symptom_for("fuel_leak_carb") == SYMPTOMS["fuel_leak"]
    assert symptom_for("bag_missing") is None


TABLE = """
[own_look]
seen_if_so = 0.9
seen_if_not = 0.05
mark = "from memory"
[symptoms.s]
name = "S"
stands_for = ["vibration"]
mark = "from memory"
causes.a = { chance = 0.4, hours = 0.1, name = "a", look = "look", fixes = { blade_new = [0.8, 0.9, 1.0] } }
causes.b = { chance = 0.6, hours = 0.1, name = "b", look = "look", fixes = {} }
[symptoms.s.looks.l]
name = "l"
hours = 0.1
reading = "just_tipped"
mark = "from memory"
outcomes.yes = { equals = true, seen = { a = 0.9 }, others = 0.1 }
outcomes.no = { equals = false }
"""


@pytest.mark.parametrize(
    ("old", "change", "line"),
    [
        ("chance = 0.6", "chance = 0.7", "symptoms.s: expected chances of causes that sum to 1, got 1.1"),
        ('"vibration"', '"vibratio"', "symptoms.s: expected a fault of faults.toml, got vibratio"),
        ("blade_new =", "blade_nw =", "symptoms.s: expected a fix of fixes.toml, got blade_nw"),
        (
            'reading = "just',
            'fix = "blade_nw"\nreading = "just',
            "symptoms.s: expected a fix of fixes.toml, got blade_nw",
        ),
        ("seen = { a", "seen = { c", "looks.l: expected causes, got c"),
        ("seen = { a = 0.9 }, others = 0.1", "others = 0.1", "expected one outcome without figures, got 2"),
        ("a = 0.9", "a = 1.9", "looks.l: expected chances up to 1 in sum under a"),
        ('"just_tipped"', '"just_tiped"', "reading must be a name from the catalogue; got 'just_tiped'"),
    ],
)
def test_a_wrong_table_names_file_and_key(old: str, change: str, line: str) -> None:
    assert old in TABLE
    with pytest.raises(CatalogueError) as caught:
        check_symptoms(read_catalogue(TABLE.replace(old, change), "x.toml", Symptoms), "x.toml")
    assert line in str(caught.value)
    assert str(caught.value).startswith("x.toml: symptoms.s")


def test_a_look_carries_the_cautions_of_the_reading_it_takes() -> None:
    """Tip heights are taken under a tipped deck: told where the look is told, as where the reading is asked for."""
    tips = symptom_catalogue()["vibration"].looks["tips"]
    assert {caution.id for caution in cautions_for(("tip_height_mm",))} <= {
        caution.id for caution in cautions_for(look_actions(tips))
    }


def test_a_fix_may_cure_what_it_cures_itself_and_symptoms_it_may_be_behind() -> None:
    """A tank is flushed for stale fuel, which engines start badly or hunt of; a bag cures a missing bag alone."""
    assert may_cure("tank_flush")[0] == "stale_fuel"
    assert {"hard_start", "no_start", "surging"} <= set(may_cure("tank_flush"))
    assert may_cure("bag_new") == ("bag_missing",)


def test_odds_on_a_symptom_nobody_looked_into_are_those_of_its_causes_weighed() -> None:
    """By hand: an unknown oil leak is the seal at the blade end 19 times in 100, and a new one holds at .78."""
    assert usual_odds("crank_seal", "oil_leak_unknown") == pytest.approx(0.19 * 0.78)
    assert usual_odds("crank_seal", "oil_leak_seal") == pytest.approx(0.78)
    assert usual_odds("crank_seal", "paint_faded") == 0
