"""What knowing is worth: the textbook's figures, and the laws that bind any look."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.ports import FloatArray
from valuer.advice.work.information import perfect_information, value_of_looking, without_knowing
from valuer.advice.work.next_checks import next_checks

PLANT = np.array([[200.0, -180.0], [100.0, -20.0], [0.0, 0.0]])


@pytest.mark.parametrize(
    ("chance", "best", "with_perfect"),
    [(0.6, 52.0, 120.0), (0.5, 40.0, 100.0)],
)
def test_textbook_plant(chance: float, best: float, with_perfect: float) -> None:
    """Large plant 200/-180, small 100/-20, none 0 (thousand); published for p = .6, derived for p = .5."""
    beliefs = np.array([chance, 1 - chance])
    assert without_knowing(PLANT, beliefs) == pytest.approx(best)
    assert perfect_information(PLANT, beliefs) == pytest.approx(with_perfect - best)


def test_textbook_acts_one_by_one() -> None:
    """Derived for p = .5: 10, 40, 0."""
    assert (PLANT @ np.array([0.5, 0.5])).tolist() == pytest.approx([10.0, 40.0, 0.0])


@st.composite
def tables(draw: st.DrawFn) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Payoffs of four acts in three states, beliefs, and a look of three outcomes."""
    payoffs = np.array(draw(st.lists(st.floats(-200, 200), min_size=12, max_size=12))).reshape(4, 3)
    weights = np.array(draw(st.lists(st.floats(0.01, 1), min_size=3, max_size=3)))
    look = np.array(draw(st.lists(st.floats(0.01, 1), min_size=9, max_size=9))).reshape(3, 3)
    return payoffs, weights / weights.sum(), look / look.sum(axis=0)


@given(tables())
def test_no_look_is_worth_more_than_knowing(table: tuple[FloatArray, FloatArray, FloatArray]) -> None:
    """Value of looking between 0 and the expected value of perfect information (Blackwell)."""
    payoffs, beliefs, look = table
    joint = look * beliefs
    raw = float((payoffs @ joint.T).max(axis=0).sum()) - without_knowing(payoffs, beliefs)
    assert -1e-9 <= raw <= perfect_information(payoffs, beliefs) + 1e-9
    assert value_of_looking(payoffs, beliefs, look) == pytest.approx(raw, abs=1e-9)


@given(tables())
def test_a_perfect_look_is_worth_what_knowing_is(table: tuple[FloatArray, FloatArray, FloatArray]) -> None:
    """A look whose outcome names the state."""
    payoffs, beliefs, _ = table
    knowing = perfect_information(payoffs, beliefs)
    assert value_of_looking(payoffs, beliefs, np.eye(3)) == pytest.approx(knowing, abs=1e-9)


@given(tables())
def test_a_look_that_shows_the_same_whatever_is_there_is_worth_nothing(
    table: tuple[FloatArray, FloatArray, FloatArray],
) -> None:
    """Outcomes as likely in every state."""
    payoffs, beliefs, look = table
    blind = np.repeat(look[:, :1], 3, axis=1)
    assert value_of_looking(payoffs, beliefs, blind) == pytest.approx(0, abs=1e-9)


SYMPTOMS = ["oil_leak_unknown", "no_start", "vibration", "smoke_blue", "drive_none", "surging", "hard_start"]


@pytest.mark.parametrize("symptom", SYMPTOMS)
@pytest.mark.parametrize("sound", [90.0, 190.0, 400.0])
def test_looks_on_real_symptoms_obey_the_bound(symptom: str, sound: float) -> None:
    """Every look at every cause: never worth more than knowing for sure, never less than nothing."""
    found = next_checks([machine(f"{symptom}:serious")], FakeModel(sound), terms())[0]
    looks = [check for check in found.checks if check.kind == "cause"]
    assert looks
    for check in looks:
        assert 0 <= check.value_of_looking <= check.perfect_information + 0.01
