"""At most one plan a machine under shared limits on hours and cash: exact, as an integer programme.

The linear relaxation gives an hour and a unit of cash a price. At these prices most plans are so much worse
than their machine's best that they cannot be in any choice as good as one already at hand; they are left out,
and the integer programme that is left is small. Nothing is lost: the bound that leaves a plan out is proved
by duality.
"""

import ctypes
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.tree import SAME
from valuer.advice.work.workshop import BoolArray, IntArray


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


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """All plans of all machines: gain and owner (n,), used (n_limits, n), limits (n_limits,)."""

    gain: FloatArray
    used: FloatArray
    owner: IntArray
    limits: FloatArray
    machines: int

    def only(self, keep: BoolArray) -> "Table":
        """Return the table with some of the plans."""
        return Table(self.gain[keep], self.used[:, keep], self.owner[keep], self.limits, self.machines)


def best_choice(machines: Sequence[Offers], hours: float | None, cash: float | None) -> Choice:
    """Return the choice of highest total gain, at most one plan a machine, within the limits.

    Solved to proven optimality (multiple-choice knapsack). None for a limit means there is none. Raises
    ValueError for a limit below 0.
    """
    if min(hours or 0.0, cash or 0.0) < 0:
        raise ValueError(f"hours and cash must be 0 or more, got {hours} and {cash}")
    table = _table(machines, hours, cash)
    bound, prices = _relaxed(table)
    greedy = _greedy(table, prices)
    kept = np.flatnonzero(_could_be_best(table, bound, prices, float(table.gain[greedy].sum())))
    small = table.only(np.isin(np.arange(len(table.gain)), kept))
    taken, gap = _solved(small)
    chosen = kept[taken] if table.gain[kept[taken]].sum() >= table.gain[greedy].sum() else greedy
    return Choice(_by_machine(machines, table, chosen), float(table.gain[chosen].sum()), gap)


def _table(machines: Sequence[Offers], hours: float | None, cash: float | None) -> Table:
    columns = {
        name: np.concatenate([np.zeros(0), *(getattr(offers, name) for offers in machines)])
        for name in ("gain", "hours", "cash")
    }
    bound = [(name, limit) for name, limit in (("hours", hours), ("cash", cash)) if limit is not None]
    return Table(
        gain=columns["gain"],
        used=np.array([columns[name] for name, _ in bound]).reshape(len(bound), len(columns["gain"])),
        owner=np.repeat(np.arange(len(machines)), [len(offers.gain) for offers in machines]),
        limits=np.array([limit + SAME for _, limit in bound]),
        machines=len(machines),
    )


def _relaxed(table: Table) -> tuple[float, FloatArray]:
    """Return what no choice can exceed, and the prices of the limits that prove it, shape (n_limits,).

    At any prices, a choice gains no more than the limits are worth plus, machine by machine, the best plan's
    gain less the price of what it uses. The prices of the linear relaxation make this least.
    """
    if not len(table.limits) or not len(table.gain):
        return _bound(table, np.zeros(len(table.limits))), np.zeros(len(table.limits))
    from scipy.optimize import linprog  # noqa: PLC0415  only this question needs it
    from scipy.sparse import csr_array, vstack  # noqa: PLC0415

    solved = linprog(
        -table.gain,
        A_ub=vstack([csr_array(table.used), _one_each(table)]),
        b_ub=np.concatenate([table.limits, np.ones(table.machines)]),
        bounds=(0, 1),
        method="highs-ds",
    )
    prices = np.maximum(-np.asarray(solved.ineqlin.marginals)[: len(table.limits)], 0.0)
    return _bound(table, prices), prices


def _one_each(table: Table) -> Any:
    """Return which plans are a machine's own, sparse: in full, those of ten thousand machines fill a gigabyte."""
    from scipy.sparse import csr_array  # noqa: PLC0415  only this question needs it

    count = len(table.gain)
    return csr_array((np.ones(count), (table.owner, np.arange(count))), shape=(table.machines, count))


def _bound(table: Table, prices: FloatArray) -> float:
    return float(prices @ table.limits + _best_of_each(table, prices).sum())


def _best_of_each(table: Table, prices: FloatArray) -> FloatArray:
    """Return each machine's best gain at these prices, shape (machines,); 0 for no plan."""
    best = np.zeros(table.machines)
    np.maximum.at(best, table.owner, table.gain - prices @ table.used)
    return best


def _greedy(table: Table, prices: FloatArray) -> IntArray:
    """Return plans that fit together: each machine's best at the prices, the most that fits in that order."""
    net = table.gain - prices @ table.used
    left, taken, served = table.limits.copy(), list[int](), set[int]()
    for place in np.lexsort((-table.gain, -net)).tolist():
        if int(table.owner[place]) not in served and (table.used[:, place] <= left).all():
            left -= table.used[:, place]
            served.add(int(table.owner[place]))
            taken.append(place)
    return np.array(taken, dtype=np.int64)


def _could_be_best(table: Table, bound: float, prices: FloatArray, reached: float) -> BoolArray:
    """Say which plans may be in a choice that gains more than ``reached``: their regret leaves room."""
    regret = _best_of_each(table, prices)[table.owner] - (table.gain - prices @ table.used)
    return np.asarray(bound - regret > reached - SAME)


def _solved(table: Table) -> tuple[IntArray, float]:
    """Return the plans of the best choice (places in the table), and the gap to the solver's bound."""
    if not len(table.gain):
        return np.zeros(0, dtype=np.int64), 0.0
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415  only this question needs it

    count = len(table.gain)
    constraints = [LinearConstraint(_one_each(table), ub=np.ones(table.machines))]
    if len(table.limits):
        constraints.append(LinearConstraint(table.used, ub=table.limits))
    with _unheard():
        solved = milp(
            -table.gain,
            integrality=np.ones(count, dtype=np.int64),
            bounds=Bounds(0, 1),
            constraints=constraints,
            options={"mip_rel_gap": 0},
        )
    if solved.x is None:  # leaving every machine always fits
        raise ValueError("a limit on hours or cash must be 0 or more")
    taken = np.flatnonzero(np.round(solved.x))
    total = float(table.gain[taken].sum())
    return taken, max(0.0, -float(solved.mip_dual_bound or -total) - total)


_one_at_a_time = Lock()


@contextmanager
def _unheard() -> Iterator[None]:
    """Keep what a library in C prints away from standard output, which carries our answers.

    HiGHS, the solver behind SciPy, prints a line of its own debugging there in some 6 of 100 choices, whatever it is
    told about printing, and the C library holds it back until the process ends.
    """
    c = ctypes.CDLL("ucrtbase" if sys.platform == "win32" else None)
    with _one_at_a_time, ExitStack() as after:
        with suppress(OSError):  # a process without standard output has nothing to keep clean
            kept = os.dup(1)
            after.callback(os.close, kept)
            after.callback(os.dup2, kept, 1)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            after.callback(os.close, nowhere)
            c.fflush(None)
            os.dup2(nowhere, 1)
            after.callback(c.fflush, None)
        yield


def _by_machine(machines: Sequence[Offers], table: Table, chosen: IntArray) -> tuple[int | None, ...]:
    plans: list[int | None] = [None] * len(machines)
    starts = np.cumsum([0, *(len(offers.gain) for offers in machines)])
    for place in chosen.tolist():
        plans[table.owner[place]] = place - int(starts[table.owner[place]])
    return tuple(plans)
