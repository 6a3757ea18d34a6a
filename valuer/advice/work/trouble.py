"""One fault under work: the places its story can be at, and what each act can lead to from there.

Place 0 is always "gone". All ways of curing one fault share a cause: a fix that holds less often cures only
what the surer ones cure as well. So after a failure a lesser fix is pointless, the same fix again too, and a
surer one of odds q after one of odds p that failed has the odds (q - p) / (1 - p) (judgement, no source).
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray
from valuer.advice.work.workshop import BoolArray, IntArray
from valuer.domain.machine import Finding

GONE, THERE = 0, 1
CURED, STILL_THERE = "cured", "still there"
MEASURED = ("there", "not there")
AGAIN = "again"
"""Act of taking a doubtful reading again; its name is completed by the fault."""


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """What an act does to one fault, from every one of its n places.

    ``shows`` names the m results; ``chance`` and ``leads``, shape (n, m), are their odds and the places they
    lead to; where the act cannot be done (``can`` is false) it leaves everything as it is. ``unheard``, shape (n,),
    marks where its failure would tell something, but is not followed for want of room.
    """

    shows: tuple[str, ...]
    chance: FloatArray
    leads: IntArray
    can: BoolArray
    unheard: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class Trouble:
    """The places of one fault, arrays of shape (n,).

    ``there`` is how much of the fault's loss the price has: 0 gone, 1 there, between for a doubt; ``factor``
    multiplies the price while it is there, by what is known of its cause; ``sure`` says whether it is surely
    there; ``depth`` rises along every way. ``moves`` has the acts by name. ``start`` is
    where it is now.
    """

    finding: Finding
    there: FloatArray
    factor: FloatArray
    sure: BoolArray
    depth: IntArray
    moves: Mapping[str, Move]
    start: int

    @property
    def size(self) -> int:
        """Number of places."""
        return len(self.there)

    @property
    def all_or_nothing(self) -> bool:
        """Whether it is there or gone everywhere, and nothing is known of its cause."""
        return bool(((self.there == 0) | (self.there == 1)).all() and (self.factor == 1).all())


Kind = TypeVar("Kind", bound=np.generic)


def along(values: NDArray[Kind], axis: int, ndim: int) -> NDArray[Kind]:
    """Return values of the places of one trouble, shape (n,), in a shape that broadcasts over all ``ndim`` of them."""
    shape = [1] * ndim
    shape[axis] = len(values)
    return values.reshape(shape)


def after_failure(odds: float, failed: float) -> float:
    """Return the odds of a fix after one with the odds ``failed`` has failed on the same fault.

    >>> round(after_failure(0.88, 0.25), 3), after_failure(0.25, 0.88)
    (0.84, 0.0)
    """
    return max(odds - failed, 0.0) / (1.0 - failed) if failed < 1.0 else 0.0


def plain_trouble(
    finding: Finding, odds: Mapping[str, float], failed: Collection[str] = (), *, cured: bool = False
) -> Trouble:
    """Return the trouble of a fault that is its own cause. ``odds`` are those of the fixes that can work.

    Places: gone; there with nothing tried; there after a try of each of the odds failed; in doubt.
    """
    levels = [0.0, *sorted({chance for chance in odds.values() if chance > 0})]
    doubtful = finding.chance < 1
    n = 1 + len(levels) + doubtful
    there = np.ones(n)
    there[GONE] = 0.0
    if doubtful:
        there[-1] = finding.chance
    moves = {
        name: _fix_move(chance, levels, n, finding.chance) for name, chance in odds.items() if chance > 0
    }
    if doubtful:
        moves[f"{AGAIN}_{finding.fault}"] = _measure_move(n, finding.chance)
    depth = np.arange(n)
    depth[GONE] = n
    if doubtful:
        depth[-1] = 0
    worst = max((odds.get(name, 0.0) for name in failed), default=0.0)
    start = GONE if cured else n - 1 if doubtful and not failed else 1 + levels.index(worst)
    sure = there >= 1
    return Trouble(finding, there, np.ones(n), sure, depth, moves, start)


def _fix_move(chance: float, levels: list[float], n: int, doubt: float) -> Move:
    odds, leads = np.zeros((n, 2)), np.tile(np.arange(n)[:, None], 2)
    odds[:, 1] = 1.0
    failed = 1 + levels.index(chance)
    for place, level in enumerate(levels, start=1):
        if chance > level:
            odds[place] = after_failure(chance, level), 1 - after_failure(chance, level)
            leads[place] = GONE, failed
    if doubt < 1:
        odds[-1] = 1 - doubt * (1 - chance), doubt * (1 - chance)
        leads[-1] = GONE, failed
    return Move((CURED, STILL_THERE), odds, leads, odds[:, 0] > 0, np.zeros(n, dtype=bool))


def _measure_move(n: int, chance: float) -> Move:
    odds, leads = np.zeros((n, 2)), np.tile(np.arange(n)[:, None], 2)
    odds[:, 1] = 1.0
    odds[-1] = chance, 1 - chance
    leads[-1] = THERE, GONE
    return Move(MEASURED, odds, leads, np.arange(n) == n - 1, np.zeros(n, dtype=bool))


def fixed_trouble(finding: Finding, *, cured: bool = False, failed: bool = False) -> Trouble:
    """Return a trouble that nothing is done about: one place, where it stands."""
    chance = 0.0 if cured else 1.0 if failed else finding.chance
    return Trouble(
        finding,
        np.array([chance]),
        np.ones(1),
        np.array([chance >= 1]),
        np.zeros(1, dtype=np.int64),
        {},
        start=0,
    )
