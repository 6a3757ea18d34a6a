"""At most one plan a machine under shared limits on hours and cash: exact, as an integer programme."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from valuer.advice.plans import SAME
from valuer.advice.ports import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Offers:
    """What plans one machine brings; arrays of shape (n_plans,), all equal in length, possibly empty."""

    gain: FloatArray
    hours: FloatArray
    cash: FloatArray


@dataclass(frozen=True, slots=True)
class Choice:
    """The plan chosen for each machine (None: none), the total gain, and what a better choice could add."""

    plans: tuple[int | None, ...]
    gain: float
    gap: float


def best_choice(machines: Sequence[Offers], hours: float | None, cash: float | None) -> Choice:
    """Return the choice of highest total gain, at most one plan a machine, within the limits.

    Solved to proven optimality (multiple-choice knapsack). None for a limit means there is none.
    """
    gain = np.concatenate([offers.gain for offers in machines]) if machines else np.zeros(0)
    if not len(gain):
        return Choice((None,) * len(machines), 0.0, 0.0)
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415  only this question needs it
    from scipy.sparse import csr_array  # noqa: PLC0415

    owner = np.repeat(np.arange(len(machines)), [len(offers.gain) for offers in machines])
    one_each = csr_array(
        (np.ones(len(gain)), (owner, np.arange(len(gain)))), shape=(len(machines), len(gain))
    )
    constraints = [LinearConstraint(one_each, ub=np.ones(len(machines)))]
    for limit, name in ((hours, "hours"), (cash, "cash")):
        if limit is not None:
            used = np.concatenate([getattr(offers, name) for offers in machines])
            constraints.append(LinearConstraint(used[None], ub=limit + SAME))
    solved = milp(
        -gain,
        integrality=np.ones(len(gain), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=constraints,
        options={"mip_rel_gap": 0},
    )
    if solved.x is None:
        raise ValueError("a limit on hours or cash must be 0 or more")
    taken = np.flatnonzero(np.round(solved.x))
    plans: list[int | None] = [None] * len(machines)
    starts = np.cumsum([0, *(len(offers.gain) for offers in machines)])
    for place in taken.tolist():
        plans[owner[place]] = place - int(starts[owner[place]])
    total = float(gain[taken].sum())
    return Choice(tuple(plans), total, max(0.0, -float(solved.mip_dual_bound or -total) - total))
