"""The lattice of subset values: one call, doubts weighed, a cap that says so."""

import numpy as np
import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import list_of, machine, terms
from valuer.advice.work.trouble import fixed_trouble
from valuer.advice.work.ways_out import FOR_PARTS, PARTS_SOLD, ways_out
from valuer.advice.worth.common import log_spread
from valuer.advice.worth.lattice import Lattice, Scene, lattices, scene_of, scrap_value, with_doubt
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
    able = [
        name
        for name, fault in fault_catalogue().items()
        if not fault.needs and not fault.causes and name != "recall_open"
    ]
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


def test_gates_are_enumerated_however_many_faults_there_are() -> None:
    """A14: thirteen findings and more with an open recall: scrap only, in the price and in every way out."""
    able = _fourteen()
    for count in (11, 12, 14):
        one = machine(*able[:count], "recall_open:serious", tier="premium")
        answer = value_machines([one], FakeModel(400.0), terms())[0]
        assert answer.value.amount == pytest.approx(7.04, abs=1.5)  # 32 kg at .22
        found = list_of(one, sound=400.0)
        assert [way.route for way in found.ways_now if way.open] == ["scrap"]
        assert "recall_open" in found.safety.must_cure
        assert found.verdict in {"go on", "no sale while a recall is open"}
        if found.steps:
            assert any("recall_remedy" in {p.id for p in step.parts_of_it} for step in found.steps)


@pytest.mark.parametrize(
    ("gate", "count"),
    [("fuel_leak_line", 12), ("blade_brake_slow", 15), ("bail_defeated", 20), ("blade_mount_loose", 13)],
)
def test_a_gate_among_many_findings_bars_a_sale_as_working(gate: str, count: int) -> None:
    """A14: a gate never depends on how many findings there are."""
    plain = [f for f in _plain() if not f.startswith(gate)]
    found = list_of(machine(*plain[:count], f"{gate}:serious"), sound=400.0)
    assert gate in found.safety.must_cure
    assert not next(way.open for way in found.ways_now if way.route == "working")
    if not any(gate in p.faults for step in found.steps for p in step.parts_of_it):
        assert all(end.route != "working" for end in found.ends)
        assert found.sold_as != "working"


def _plain() -> list[str]:
    """Serious faults that bar nothing, cheap and dear ones mixed."""
    return [
        f"{name}:serious"
        for name, fault in fault_catalogue().items()
        if not fault.needs and not fault.must_be_cured("serious") and name != "no_start"
    ]


@pytest.mark.parametrize("cause", sorted(fault_catalogue()["no_start"].causes))
def test_naming_the_cause_never_lowers_the_price(cause: str) -> None:
    """A7: one loss, not two. A non-runner whose cause is known brings more (.42 against .30, common practice).

    With the fake model a seized engine costs more alone than not starting; then it is that loss.
    """
    severity = "serious"
    unknown, named = value_machines(
        [machine("no_start:serious"), machine("no_start:serious", f"{cause}:{severity}")],
        FakeModel(),
        terms(),
    )
    alone = value_machines([machine(f"{cause}:{severity}")], FakeModel(), terms())[0]
    assert named.value.amount >= min(unknown.value.amount, alone.value.amount) - 0.01
    assert named.value.amount <= alone.value.amount + 0.01
    if alone.value.amount > unknown.value.amount:
        assert named.value.amount > unknown.value.amount


def test_a_leak_named_and_a_drop_on_the_cardboard_are_one_leak() -> None:
    """A8: the leak of unknown source beside a named one costs nothing besides."""
    named = machine("oil_leak_sump:serious")
    twice = machine("oil_leak_sump:serious", "oil_leak_unknown:serious")
    one, two = value_machines([named, twice], FakeModel(), terms())
    assert two.value.amount >= one.value.amount
    assert {cost.fault: cost.share for cost in two.fault_costs}["oil_leak_unknown"] == 0


def test_where_the_file_says_nothing_of_causes_nothing_is_put_down_to_them() -> None:
    """What a sale costs whatever is cured is reckoned on the price without what was told."""
    both = machine("no_start:serious", "dirty:serious")
    told = machine("no_start:serious", "dirty:serious", causes={"no_start": "stop_cable"})
    plain, named = lattices([scene_of(each, terms()) for each in (both, told)], FakeModel(400.0), terms())
    assert plain.untold == plain.now == named.untold
    assert named.now > plain.now


def test_a_part_spoiled_by_a_fault_beyond_the_twelve_does_not_sell() -> None:
    """A bag brings 22 by itself (common practice, no source); a missing one nothing, however many faults there are."""
    dear = [name for name in _fourteen() if name.split(":")[0] not in {"bag_missing", "recall_open"}][:12]
    with_it, without = lattices(
        [scene_of(machine(*faults), terms()) for faults in ([*dear, "bag_missing:serious"], dear)],
        FakeModel(),
        terms(),
    )
    assert [item.fault for item in with_it.held] == ["bag_missing"]

    def in_bits(lattice: Lattice) -> float:
        left_in = [fixed_trouble(item) for item in lattice.findings]
        return float(ways_out(lattice, left_in, terms(), 0.0).money[FOR_PARTS].item())

    assert in_bits(without) - in_bits(with_it) == pytest.approx(22.0 * PARTS_SOLD)


def test_iron_brings_as_much_in_any_money() -> None:
    one, ten = (scrap_value(machine(), terms(price_level=level)) for level in (1.0, 10.0))
    assert ten == pytest.approx(10 * one)
