"""What advice needs from a model of values, and nothing more: any object of this shape will do."""

from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from valuer.domain.faults import Severity
from valuer.domain.machine import Machine

FloatArray = NDArray[np.float64]

LEVEL: dict[Severity, int] = {"slight": 1, "serious": 2}
"""How a severity is written in a row of the model; 0 is an absent fault."""

Months = int | Sequence[int]
"""One month for all machines, or one for each; 1 to 12."""


class Basis(BaseModel):
    """Where the numbers of an answer come from."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")

    model: str = Field(description="name and version of the price model")
    data_sha256: str = Field(description="SHA-256 of the sales it was trained on")
    synthetic: bool = Field(description="true while it rests on an invented market")
    own_sales: int = Field(ge=0, description="own sales that corrected it; 0 means no local correction")
    range_holds: str = Field(
        "",
        description="what share of which sales the range holds, and what has tested it; empty where it is of "
        "the sales that the model was trained on",
    )


class Beyond(NamedTuple):
    """Where a machine lies outside of all training sales.

    A number has ``known``, the ends of what the sales have. A word that no sale has stands alone; ``beside`` is
    another attribute and its word, which no sale has together with this one.
    """

    name: str
    value: object
    known: tuple[float, float] | None = None
    beside: tuple[str, object] | None = None


class ValueModel(Protocol):
    """Values of machines in a given month, in money at price level 1.

    Laws that advice relies on: a fault never adds value, but one that names what a symptom beside it comes from (see
    `told_twice`), and a worse severity never costs less.
    """

    @property
    def basis(self) -> Basis:
        """Name, data and own sales behind the values."""

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        """Rows of shape (n, p) for the machines with every fault absent (0); month is 1 to 12."""

    def fault_column(self, fault: str) -> int:
        """The column that holds 0, 1 or 2 for none, slight or serious of this fault."""

    def value(self, rows: FloatArray) -> FloatArray:
        """Expected sale prices of shape (n,) for rows of shape (n, p)."""

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Low and high ends, each of shape (n,), of the 80 % interval of the sale price.

        value: of the same rows, shape (n,), where it is known already.
        """

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        """Where the machine, its money at price level 1, lies outside of what the training sales show."""

    def records(self, fault: str, severity: str) -> int:
        """Number of training sales that show the fault at this severity."""
