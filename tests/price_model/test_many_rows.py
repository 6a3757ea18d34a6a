"""Many rows of one machine are answered together as each would be alone: what they share is worked out once."""

from itertools import product

import numpy as np
import pytest

from tests.fake_model import FakeModel
from tests.price_model.machines import FAULTS, from_market
from valuer.domain.faults import fault_catalogue
from valuer.price_model.corrected import CorrectedModel
from valuer.price_model.local_correction import learn
from valuer.price_model.mower import MowerModel
from valuer.price_model.own_sales import USUAL_AGE, OwnSale, bearing
from valuer.price_model.trees import SharedTrees, Trees

AGES = (USUAL_AGE + 1, USUAL_AGE, None)
SIX = ("no_start", "stale_fuel", "oil_leak_sump", "oil_leak_minor", "paint_faded", "vibration")


@pytest.fixture(scope="module")
def corrected(mower_model: MowerModel) -> CorrectedModel:
    """The model bent by forty sales at a quarter more than it expects, dearer where it does not run."""
    sold = []
    for place, machine in enumerate(from_market(40, 17)):
        row = mower_model.encode([machine], 5)
        for told in machine.faults:
            row[0, mower_model.fault_column(told.fault)] = {"slight": 1, "serious": 2}[told.severity]
        price = float(mower_model.value(row)[0]) * (1.4 if "no_start" in str(machine.faults) else 1.2)
        sold.append(OwnSale(machine, 5, price, float(place)))
    return CorrectedModel(mower_model, learn(mower_model, sold))


def every_state(model: MowerModel | CorrectedModel) -> np.ndarray:
    """Three machines with every subset of six faults, and the same at random levels of all faults."""
    rows = model.encode(from_market(3, 5), 5)
    blocks = [np.repeat(row[None], 64, axis=0) for row in rows]
    for block in blocks:
        block[:, [model.fault_column(fault) for fault in SIX]] = 2 * np.array(list(product((0, 1), repeat=6)))
    mixed = np.repeat(rows, 20, axis=0)
    levels = np.random.default_rng(3).choice(3, (60, len(FAULTS)), p=(0.9, 0.06, 0.04))
    mixed[:, [model.fault_column(fault) for fault in fault_catalogue()]] = levels
    return np.concatenate([*blocks, mixed])


@pytest.mark.parametrize("which", ["model", "corrected"])
def test_together_and_alone_are_the_same(
    which: str, mower_model: MowerModel, corrected: CorrectedModel
) -> None:
    model = mower_model if which == "model" else corrected
    rows = every_state(model)
    alone = np.concatenate([model.value(row[None]) for row in rows])
    np.testing.assert_allclose(model.value(rows), alone, rtol=1e-12)
    shuffled = np.random.default_rng(0).permutation(len(rows))
    np.testing.assert_allclose(model.value(rows[shuffled]), alone[shuffled], rtol=1e-12)
    low, high = model.interval(rows)
    for end, told in zip((low, high), model.interval(rows, model.value(rows)), strict=True):
        np.testing.assert_allclose(end, told, rtol=1e-12)
    ends = [model.interval(row[None]) for row in rows[::7]]
    np.testing.assert_allclose(low[::7], [float(end[0][0]) for end in ends], rtol=1e-12)
    np.testing.assert_allclose(high[::7], [float(end[1][0]) for end in ends], rtol=1e-12)


class Unsteady(FakeModel):
    """A model whose values hang, in the last bits, on where a row stands among others."""

    def value(self, rows: np.ndarray) -> np.ndarray:
        return super().value(rows) * (1.0 + 1e-15 * np.arange(len(rows)))


def test_who_is_as_old_as_the_usual_one_lost_nothing_since_to_the_last_bit() -> None:
    """As good as 0, by no bit of the model's; exactly 0 stands for an age that nobody told, which widens ranges."""
    ages = [
        machine.model_copy(update={"age_years": age})
        for machine, age in zip(from_market(3, 5), AGES, strict=True)
    ]
    aged = bearing(Unsteady(), ages, 5)[2][:, 0]
    assert [bool(lost) for lost in aged] == [True, True, False]
    assert aged[1] < 1e-300


def test_the_correction_is_one(corrected: CorrectedModel, mower_model: MowerModel) -> None:
    """Else the test above would hold the plain model twice."""
    machines = from_market(3, 5)
    apart = corrected.value(corrected.encode(machines, 5)) / mower_model.value(
        mower_model.encode(machines, 5)
    )
    assert (apart > 1.05).all()
    assert len({factor for _, factor in corrected.correction.fault_factor}) > 3


def test_trees_answer_for_rows_that_share_columns_as_for_whole_rows() -> None:
    """A tree by hand: limits 1 and 2 on the last column, and one on the first; on a limit goes left."""
    trees = Trees(
        column=np.array([[1, 0], [1, 0]]), limit=np.array([[1.0, 5.0], [2.0, np.inf]]),
        blank_left=np.ones((2, 2), dtype=bool), gone=np.array([[0b110, 0b101], [0b110, 0b111]], dtype=np.uint8),
        leaves=np.array([[1.0, 10.0, 100.0], [0.5, 0.25, 0.0]]), start=np.array([1000.0]), link="none",
    )  # fmt: skip
    last = np.array([0.0, 1.0, 1.5, 2.0, 2.5, 3.0] * 4)
    of = np.repeat([0, 1], 12)
    inputs = np.array([[4.0], [6.0]])
    wanted = [1001.5, 1001.5, 1010.5, 1010.5, 1010.25, 1010.25] * 2
    wanted += [1001.5, 1001.5, 1100.5, 1100.5, 1100.25, 1100.25] * 2
    assert SharedTrees(trees, 1).predict(inputs, of, last[:, None]).tolist() == wanted
    assert trees.predict(np.column_stack([inputs[of], last])).tolist() == wanted
