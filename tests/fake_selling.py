"""How listings sell, simple enough to redo by hand.

In May four in ten sell in a week at an ask of the value; in other months fewer, by a factor of the year; ten
per cent more asked takes a half of the odds. A sale ends half way between the least and the ask. There is no
doubt about worth.
"""

from collections.abc import Mapping, Sequence

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

    def week(
        self,
        ask: FloatArray,
        least: FloatArray,
        month: FloatArray,
        week: FloatArray,
        faults: Mapping[str, float],
        worth: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        season = np.array(SEASON)[np.asarray(month, dtype=int) - 1]
        odds = (
            np.exp(self.log_odds)
            * 2
            / 3
            * season
            * 0.5 ** ((ask - worth) / 0.1)
            / (1 + faults.get("noise", 0.0))
        )
        limit = 1 / (1 + np.exp((least - worth) / 0.08))
        chance = odds / (1 + odds) * limit
        return chance, np.full_like(chance, 0.5)
