"""How listings sell, simple enough to redo by hand.

In May four in ten sell in a week at an ask of the value; in other months fewer, by a factor of the year; ten
per cent more asked takes a half of the odds. A sale ends half way between the least and the ask. There is no
doubt about worth.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import EllipsisType

import numpy as np

from valuer.advice.ports import FloatArray

SEASON = (0.3, 0.4, 0.7, 1.0, 1.0, 0.9, 0.7, 0.6, 0.5, 0.4, 0.3, 0.3)


class FakeSelling:
    """Chances of a sale by formula."""

    ask_range = (-0.3, 0.5)

    def __init__(self, doubt: float = 0.0, log_odds: float = 0.0) -> None:
        self.doubt, self.log_odds = doubt, log_odds

    def shifted(self, log_odds: float) -> "FakeSelling":
        return FakeSelling(self.doubt, self.log_odds + log_odds)

    def slowing(self, faults: Sequence[tuple[str, str]]) -> dict[str, float]:
        return {"noise": float(any(fault == "vibration" for fault, _ in faults))}

    def doubt_of(self, sd: float, faults: Mapping[str, float]) -> float:
        return self.doubt * sd

    def weeks(
        self,
        ask: FloatArray,
        month: FloatArray,
        week: FloatArray,
        faults: Mapping[str, float],
        worth: FloatArray,
    ) -> "FakeWeeks":
        season = np.array(SEASON)[np.asarray(month, dtype=int) - 1]
        odds = (
            np.exp(self.log_odds)
            * 2
            / 3
            * season
            * 0.5 ** ((ask - worth) / 0.1)
            / (1 + faults.get("noise", 0.0))
        )
        return FakeWeeks(odds / (1 + odds) + 0.0 * week, worth)


@dataclass(frozen=True)
class FakeWeeks:
    """Weeks with the chance that somebody comes who means it; his limit lies round the worth."""

    comes: FloatArray
    worth: FloatArray

    def chance(self, least: FloatArray, at: int | EllipsisType = ...) -> FloatArray:
        return np.asarray(self.comes[at] / (1 + np.exp((least - self.worth) / 0.08)))

    def sold(self, least: FloatArray, at: int | EllipsisType = ...) -> tuple[FloatArray, FloatArray]:
        chance = self.chance(least, at)
        return chance, np.full_like(chance, 0.5)
