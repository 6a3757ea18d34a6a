"""A value model one can follow by hand, so that the surfaces are tested apart from the statistics.

A machine is worth 200; a slight fault takes off a tenth of what is left, a serious one a quarter; the range
is 20 % either way. No law of the advice is broken by it.
"""

from collections.abc import Sequence

import numpy as np

from tests.fake_selling import FakeSelling
from valuer.advice.ports import Basis, Beyond, FloatArray, Months
from valuer.domain.faults import fault_order
from valuer.domain.machine import Machine

SOUND = 200.0
LEFT = np.array([1.0, 0.9, 0.75])  # by severity: none, slight, serious


class FakeModel:
    """200 for a sound machine, less a fixed part for each fault."""

    basis = Basis(model="fake 1", data_sha256="0" * 64, synthetic=True, own_sales=0)
    selling = FakeSelling()

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        return np.zeros((len(machines), len(fault_order())))

    def fault_column(self, fault: str) -> int:
        return fault_order()[fault]

    def value(self, rows: FloatArray) -> FloatArray:
        prices: FloatArray = SOUND * LEFT[rows.astype(int)].prod(axis=1)
        return prices

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        value = self.value(rows) if value is None else value
        return 0.8 * value, 1.2 * value

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        return ()

    def records(self, fault: str, severity: str) -> int:
        return 100
