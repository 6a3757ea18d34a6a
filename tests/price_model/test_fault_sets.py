"""Sets of faults by bits: told apart exactly, each led down to none by its factors, each asked of the model once."""

from itertools import combinations, pairwise, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fake_model import SOUND, FakeModel
from tests.price_model.test_local_correction import NotAdditive, machine
from valuer.advice.ports import FloatArray
from valuer.domain.faults import fault_catalogue
from valuer.price_model import fault_sets
from valuer.price_model.corrected import CorrectedModel
from valuer.price_model.fault_sets import Ranked, chains, least, packed, told_apart
from valuer.price_model.local_correction import AddedUp, Correction, ForRepair

WORKING = ("rattle", "dirty", "paint_faded", "stiff_roll")
"""Faults with which a machine is still for sale as working."""

KEYS = st.lists(st.tuples(*[st.integers(0, 2)] * 3), min_size=1, max_size=30)


@pytest.mark.parametrize("odd", [fault_sets.ODD, np.zeros(4, dtype=np.uint64)])
@given(lines=KEYS)
def test_columns_are_told_apart_in_turn_whatever_they_are_mixed_by(
    odd: np.ndarray, lines: list[tuple[int, int, int]]
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fault_sets, "ODD", odd)
        first, of = told_apart(np.array(lines, dtype=np.uint64).T)
    turn = list(dict.fromkeys(lines))
    assert first.tolist() == [lines.index(line) for line in turn]
    assert of.tolist() == [turn.index(line) for line in lines]


@pytest.mark.parametrize("beside", [[], [35, 36, 39]])
def test_a_set_is_led_down_to_none_by_factors_and_equal_ones_go_together(beside: list[int]) -> None:
    """Forty faults, more than a word holds; factors by hand: ranks 0 and 1 are equal, 35 and 36, then comes 39."""
    factors = np.array([0.5, 0.5, *np.linspace(0.6, 0.9, 38)])
    factors[36] = factors[35]
    levels = np.zeros((2, 40), dtype=np.uint8)
    levels[0, [0, 1, 35, 36, 39]] = 1, 2, 2, 2, 1
    levels[1, beside] = [2, 2, 1][: len(beside)]
    sets = packed(levels)
    assert least(sets).tolist() == [0, 35 if beside else -1]
    found = chains(np.array([7, 7]), sets, Ranked(factors), np.array([True, True]))
    assert found.of.tolist() == [0, 1]
    assert found.asked.tolist() == [True, True, False, False]
    walk = [0]
    while found.grew_from[walk[-1]] != walk[-1]:
        walk.append(int(found.grew_from[walk[-1]]))
    there = [np.flatnonzero(fault_sets.unpacked(found.sets[:, [one]], 40)[0]).tolist() for one in walk]
    assert there == [[0, 1, 35, 36, 39], [35, 36, 39], [39], []]
    steps = np.zeros(4)
    steps[walk] = 1.0, 10.0, 100.0, 1000.0
    assert found.summed(steps)[walk] == pytest.approx([111.0, 110.0, 100.0, 0.0])


def test_the_same_faults_on_another_machine_are_another_set() -> None:
    sets = packed(np.array([[1, 0], [1, 0]], dtype=np.uint8))
    found = chains(np.array([0, 1]), sets, Ranked(np.array([0.5, 0.6])), np.array([True, True]))
    assert found.of.tolist() == [0, 1]


def choquet(lost: dict[frozenset[str], float], there: frozenset[str], factor: dict[str, float]) -> float:
    """The sum of the docstring of `corrected`, as it stands there."""
    steps = sorted({factor[fault] for fault in there}, reverse=True)
    return sum(
        (here - after) * lost[frozenset(fault for fault in there if factor[fault] >= here)]
        for here, after in pairwise([*steps, 0.0])
    )


@given(
    factors=st.lists(st.sampled_from([0.3, 0.8, 0.8, 1.0, 1.7]), min_size=4, max_size=4),
    share=st.sampled_from([0.0, 0.3]),
)
def test_the_weighed_loss_is_the_sum_written_out(factors: list[float], share: float) -> None:
    """Every subset of four faults at once, of a model whose losses do not add up."""
    factor = dict(zip(WORKING, factors, strict=True))
    learnt = Correction(own_sales=9, fault_factor=tuple(factor.items()), added=AddedUp(share=share))
    model = CorrectedModel(NotAdditive(), learnt)
    sets = [frozenset(some) for size in range(5) for some in combinations(WORKING, size)]
    rows = np.repeat(model.encode([machine()], 5), len(sets), axis=0)
    for row, some in zip(rows, sets, strict=True):
        row[[model.fault_column(fault) for fault in some]] = 2.0
    below = NotAdditive().value(rows[:, : len(fault_catalogue())])
    lost = dict(zip(sets, np.log(SOUND / below).tolist(), strict=True))
    wanted = [
        choquet(lost, some, factor) + share * sum(lost[frozenset([each])] for each in some) for some in sets
    ]
    assert np.log(SOUND / model.value(rows)) == pytest.approx(wanted, abs=1e-12)


def test_a_machine_for_repair_loses_no_less_than_with_what_makes_it_one_put_back() -> None:
    """By hand: what must be cured when serious is left slight, and one that does not run is taken to run."""
    learnt = Correction(own_sales=9, other_faults=0.5, added=AddedUp(share=0.2), repair=ForRepair(more=-1.0))
    model = CorrectedModel(FakeModel(), learnt)
    rows = np.repeat(model.encode([machine()], 5), 3, axis=0)
    gate = next(
        fault.id
        for fault in fault_catalogue().values()
        if fault.must_be_cured("serious")
        and not fault.must_be_cured("slight")
        and "slight" in fault.severities
    )
    rows[0, [model.fault_column(name) for name in ("rattle", gate)]] = 2.0
    rows[1, [model.fault_column(name) for name in ("rattle", gate)]] = 2.0, 1.0
    rows[2, [model.fault_column(name) for name in ("rattle", "no_start")]] = 2.0
    values = model.value(rows) / SOUND
    assert values[1] == pytest.approx((0.75 * 0.9) ** 0.7)
    assert values[0] == pytest.approx(values[1]), "a whole log more for repair would be dearer"
    assert values[2] == pytest.approx(0.75**0.7)


class Counting(FakeModel):
    """Keeps the rows that it is asked to value."""

    def __init__(self) -> None:
        self.asked: list[FloatArray] = []

    def value(self, rows: FloatArray) -> FloatArray:
        self.asked.append(rows)
        return super().value(rows)


@pytest.mark.parametrize("times", [1, 3])
def test_every_subset_of_a_machines_faults_asks_the_model_for_each_once(times: int) -> None:
    """What one subset is taken apart into are others of them; told twice they are asked about once."""
    faults = (*WORKING, "no_start", "vibration")
    learnt = Correction(
        own_sales=9, fault_factor=tuple((fault, 0.5 + i / 10) for i, fault in enumerate(faults))
    )
    below = Counting()
    model = CorrectedModel(below, learnt)
    rows = np.repeat(model.encode([machine()], 5), 64, axis=0)
    rows[:, [model.fault_column(fault) for fault in faults]] = list(product((0.0, 1.0), repeat=6))
    below.asked.clear()
    model.value(np.concatenate([rows] * times))
    (asked,) = below.asked
    assert len(asked) == len(np.unique(asked, axis=0)) == 64


def test_one_for_repair_is_not_taken_apart_as_it_stands() -> None:
    """Only what is left of it as working is: the whole, what is left, and nothing."""
    below = Counting()
    model = CorrectedModel(below, Correction(own_sales=9, fault_factor=(("no_start", 0.9), ("rattle", 0.8))))
    row = model.encode([machine()], 5)
    row[0, [model.fault_column(fault) for fault in ("no_start", "rattle")]] = 1.0
    below.asked.clear()
    model.value(row)
    assert [rows.sum() for rows in below.asked[0]] == [2.0, 1.0, 0.0]
