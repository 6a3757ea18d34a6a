"""The lattice of subset values: one call, doubts weighed, a cap that says so."""

import numpy as np
import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.worth.common import log_spread
from valuer.advice.worth.lattice import Scene, lattices, scene_of, with_doubt
from valuer.advice.worth.valuation import value_machines
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding


def test_all_machines_go_to_the_model_in_one_call() -> None:
    """A call has a fixed cost, so that subsets of all machines share one."""
    model = FakeModel()
    scenes = [scene_of(machine("dirty:slight", "blade_dull:slight", id=f"m{i}"), terms()) for i in range(5)]
    assert [lattice.values.shape for lattice in lattices(scenes, model, terms())] == [(2, 2)] * 5
    assert model.calls == 1


def test_index_one_means_left_in() -> None:
    """Sound 190; a serious hard start alone takes 25 %: 142.50; dirt alone 15 %: 161.50."""
    found = lattices(
        [scene_of(machine("hard_start:serious", "dirty:serious"), terms())], FakeModel(), terms()
    )[0]
    assert [item.fault for item in found.findings] == ["hard_start", "dirty"]
    assert found.values[0, 0] == 190
    assert found.values[1, 0] == 142.5
    assert found.values[0, 1] == 161.5


def test_a_doubtful_fault_costs_its_chance() -> None:
    """Left in with chance .3, the price is .7 x without + .3 x with: .7 x 100 + .3 x 60 = 88."""
    values = with_doubt(np.array([[100.0, 60.0], [90.0, 50.0]]), [1.0, 0.3])
    assert values[0].tolist() == [100.0, 88.0]
    assert values[1].tolist() == [90.0, 78.0]


def test_doubts_of_two_faults_are_weighed_together() -> None:
    """The mean over the four joint states: .5 x .2 x 40 + .5 x .8 x 70 + .5 x .2 x 60 + .5 x .8 x 100."""
    values = with_doubt(np.array([[100.0, 60.0], [70.0, 40.0]]), [0.5, 0.2])
    assert values[1, 1] == pytest.approx(0.1 * 40 + 0.4 * 70 + 0.1 * 60 + 0.4 * 100)


def test_doubt_widens_the_range() -> None:
    """T25 for readings: a fault that may or may not be there makes the price less sure, not more."""
    sure = Scene(machine(), (Finding("starter_noise", "serious"),))
    doubt = Scene(machine(), (Finding("starter_noise", "serious", 0.5),))
    first, second = lattices([sure, doubt], FakeModel(), terms())
    assert log_spread(first) == 0
    half = np.log(190 / 123.5) / 2  # two equally likely prices lie half their log distance from the mean
    assert log_spread(second) == pytest.approx(half)


def test_order_of_faults_does_not_matter() -> None:
    """T18."""
    one = machine("dirty:slight", "starter_noise:serious", "blade_dull:slight")
    other = machine("blade_dull:slight", "dirty:slight", "starter_noise:serious")
    assert value_machines([one], FakeModel(), terms()) == value_machines([other], FakeModel(), terms())


def _fourteen() -> list[str]:
    able = [name for name, fault in fault_catalogue().items() if not fault.needs and name != "recall_open"]
    return [f"{name}:serious" for name in able[:14]]


def test_beyond_twelve_faults_the_dearest_are_enumerated_and_the_answer_says_so() -> None:
    """2**14 rows would be 16,384; the two faults that alone cost least count as left in."""
    answer = value_machines([machine(*_fourteen())], FakeModel(), terms())[0]
    assert any("dearest" in line for line in answer.warnings)
    assert len(answer.fault_costs) == 14
    assert sum(cost.share for cost in answer.fault_costs) == pytest.approx(
        answer.sound_value - answer.value.amount, abs=0.08
    )
    assert answer.sound_value == 190


def test_the_machine_as_it_stands_has_all_its_faults_even_beyond_the_cap() -> None:
    """The price of all fourteen together, from the fake model's own row."""
    model, found = FakeModel(), _fourteen()
    row = model.encode([machine()], 5)
    for text in found:
        row[0, model.fault_column(text.split(":")[0])] = 2
    answer = value_machines([machine(*found)], model, terms())[0]
    assert answer.value.amount == round(float(model.value(row)[0]), 2)


def test_no_machines_no_answers() -> None:
    """An empty bench is no error."""
    assert value_machines([], FakeModel(), terms()) == ()


def test_price_level_scales_values() -> None:
    """Own money per dollar of the invented market."""
    dear = value_machines([machine("dirty:slight")], FakeModel(), terms(price_level=10.0))[0]
    usual = value_machines([machine("dirty:slight")], FakeModel(), terms())[0]
    assert dear.value.amount == pytest.approx(10 * usual.value.amount)
