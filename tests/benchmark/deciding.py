"""The week's work and the worth of looking, checked against brute force and against perfect information.

Nothing here uses the shortcuts of the advice: fronts, sums and Bayes' rule are written out anew.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from tests.benchmark.figures import Figure, at_most
from valuer.advice.ports import Basis, Beyond, FloatArray, ValueModel
from valuer.advice.work.bay import bay_of, bays
from valuer.advice.work.bench import plan_bench, worthwhile
from valuer.advice.work.causes import Table, cause_table, outcome_table, unknowns
from valuer.advice.work.causes import scene_with as named
from valuer.advice.work.clusters import Case, clusters
from valuer.advice.work.knapsack import Offers, best_choice
from valuer.advice.work.plans import every_plan
from valuer.advice.work.policies import usual_workshop
from valuer.advice.worth.common import ranges
from valuer.advice.worth.lattice import lattices, scene_of
from valuer.adviser import Adviser
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.domain.symptoms import Symptom, looks

MONTH = 5
LIMITS = ((3.0, 40.0), (6.0, 80.0), (20.0, 250.0))
BENCH, TRIALS, AT_A_TIME, FEW_FAULTS = 200, 200, 4, 3
PAIRS = 9
SAME = 1e-6


# --------------------------------------------------------------------------------------------------- the week
def widest_gap(machines: Sequence[Machine], model: ValueModel) -> float:
    """Return the largest gap to the optimum, money, of a bench at several limits on hours and cash."""
    return max(
        plan_bench(machines, model, ShopTerms(month=MONTH, hours=hours, cash=cash)).gap
        for hours, cash in LIMITS
    )


@dataclass
class Agreement:
    """How the week's plan compares with brute force: trials, how many differ, and by how much in money."""

    trials: int = 0
    differ: int = 0
    largest: float = 0.0
    lost: float = 0.0
    best: float = 0.0


def against_brute_force(machines: Sequence[Machine], model: ValueModel, trials: int = TRIALS) -> Agreement:
    """Compare the week's plan with brute force on four machines, over and over."""
    rng = random.Random(4)
    few = [machine for machine in machines if 1 <= len(machine.faults) <= FEW_FAULTS]
    found = Agreement(trials)
    for _ in range(trials):
        some = rng.sample(few, AT_A_TIME)
        hours, cash = rng.choice((0.5, 1.0, 2.0, 4.0)), rng.choice((5.0, 20.0, 60.0, 150.0))
        terms = ShopTerms(month=MONTH, hours=hours, cash=cash)
        best = brute_force(some, model, terms)
        off = best - week(some, model, terms)
        found.differ += abs(off) > SAME
        found.largest = max(found.largest, abs(off))
        found.lost += off
        found.best += best
    return found


def week(machines: Sequence[Machine], model: ValueModel, terms: ShopTerms) -> float:
    """Return what the week's plan brings, before it is rounded to cents at the door."""
    plans = [worthwhile(bay.case, terms) for bay in bays(machines, model, terms, usual_workshop())]
    offers = [
        Offers(*np.array([(p.returns, p.hours, p.worst_cash) for p in some]).reshape(-1, 3).T)
        for some in plans
    ]
    return best_choice(offers, terms.hours, terms.cash).gain


def brute_force(machines: Sequence[Machine], model: ValueModel, terms: ShopTerms) -> float:
    """Return the most that one plan a machine brings within the limits: every combination is tried."""
    fronts = [unbeaten(bay.case) for bay in bays(machines, model, terms, usual_workshop())]
    hours, cash = terms.hours or 0.0, terms.cash or 0.0
    totals = (np.sum(chosen, axis=0) for chosen in product(*fronts))
    return max(float(t[0]) for t in totals if t[1] <= hours + SAME and t[2] <= cash + SAME)


def unbeaten(case: Case) -> FloatArray:
    """Return (return, hours, worst cash) of every plan that no other beats in all three, and of no work."""
    plans = every_plan(case, clusters(case))
    rows = np.stack([plans.returns, plans.hours, plans.worst_cash], axis=1)
    rows = np.vstack([np.zeros(3), rows[rows[:, 0] > 0]])
    kept: list[FloatArray] = []
    for row in rows[np.lexsort((rows[:, 2], rows[:, 1], -rows[:, 0]))]:
        if not any(other[1] <= row[1] and other[2] <= row[2] for other in kept):
            kept.append(row)
    return np.array(kept)


# ---------------------------------------------------------------------------------------------- the worth of looking
@dataclass
class Looking:
    """What was found over many symptoms of unknown cause: ratios to perfect information, and a difference."""

    symptoms: int = 0
    looks: int = 0
    highest: float = 0.0
    perfect_off: float = 0.0
    ratios: list[float] = field(default_factory=list)


def looking(machines: Sequence[Machine], model: ValueModel) -> Looking:
    """Return how the worth of every look compares with perfect information, by Bayes' rule written out."""
    found = Looking()
    for machine in machines:
        for symptom, table in cause_tables(machine, model):
            sure = expected_value_of_perfect_information(table)
            found.symptoms += 1
            perfect = worth(table, np.eye(len(table.causes)))
            found.perfect_off = max(found.perfect_off, abs(perfect - sure))
            for look in looks(symptom):
                _, chances = outcome_table(symptom, look.id, table.causes)
                found.looks += 1
                ratio = worth(table, chances) / sure if sure > SAME else 0.0
                found.ratios.append(ratio)
                found.highest = max(found.highest, ratio)
    return found


def cause_tables(machine: Machine, model: ValueModel) -> Iterator[tuple[Symptom, Table]]:
    """Yield the payoffs of what may be done about each symptom of unknown cause."""
    terms = ShopTerms(month=MONTH)
    scene = scene_of(machine, terms)
    for unknown in unknowns(scene, {}):
        scenes = [named(scene, unknown, unknown.symptom.causes[name]) for name in unknown.beliefs]
        now, *known = lattices([scene, *scenes], model, terms)
        value = ranges([now], model, terms)[0]
        bay = bay_of(now, value, terms, usual_workshop())
        yield unknown.symptom, cause_table(bay, known, unknown, terms, value)


def worth(table: Table, likelihood: FloatArray) -> float:
    """Return what deciding after a look brings over deciding before it; nothing is cut off at either end.

    ``likelihood``, shape (n_outcomes, n_causes), is the chance of each outcome under each cause.
    """
    after = 0.0
    for row in likelihood:
        chance = float(row @ table.beliefs)
        if chance > 0:
            after += chance * float((table.payoffs @ (row * table.beliefs / chance)).max())
    return after - float((table.payoffs @ table.beliefs).max())


def expected_value_of_perfect_information(table: Table) -> float:
    """Return what knowing the cause would bring: the best act under each, weighed, less the best for all."""
    knowing = sum(p * max(column) for p, column in zip(table.beliefs, table.payoffs.T, strict=True))
    return float(knowing) - max(float(row @ table.beliefs) for row in table.payoffs)


# ---------------------------------------------------------------------------------------------------------- time
@dataclass
class Watched:
    """A value model that remembers the rows it was asked for."""

    model: ValueModel
    asked: list[FloatArray] = field(default_factory=list)

    @property
    def basis(self) -> Basis:
        """The model's."""
        return self.model.basis

    def encode(self, machines: Sequence[Machine], month: int) -> FloatArray:
        """The model's."""
        return self.model.encode(machines, month)

    def fault_column(self, fault: str) -> int:
        """The model's."""
        return self.model.fault_column(fault)

    def value(self, rows: FloatArray) -> FloatArray:
        """The model's values; the rows are kept."""
        self.asked.append(rows)
        return self.model.value(rows)

    def interval(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The model's."""
        return self.model.interval(rows)

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        """The model's."""
        return self.model.beyond(machine)

    def records(self, fault: str, severity: str) -> int:
        """The model's."""
        return self.model.records(fault, severity)


def time_over_bare_values(machines: Sequence[Machine], model: ValueModel, pairs: int = PAIRS) -> float:
    """Return the time of `valuer bench` over that of valuing its rows: median of pairs, side by side.

    The rows are those of the week's plan, each machine's states once.
    """
    terms = ShopTerms(month=MONTH, hours=6.0, cash=80.0)
    watched = Watched(model)
    plan_bench(machines, watched, terms)
    rows = np.concatenate(watched.asked)
    adviser = Adviser(model)
    adviser.bench_plan(machines, terms)
    ratios = [
        seconds(lambda: adviser.bench_plan(machines, terms)) / seconds(lambda: model.value(rows))
        for _ in range(pairs)
    ]
    return float(np.median(ratios))


def seconds(call: Callable[[], object]) -> float:
    """Wall time of one call."""
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


# ------------------------------------------------------------------------------------------------------- figures
def measure(machines: Sequence[Machine], model: ValueModel) -> dict[str, float]:
    """Return every figure by name."""
    bench = machines[:BENCH]
    looked, forced = looking(machines, model), against_brute_force(machines, model)
    return {
        "gap": widest_gap(bench, model),
        "brute_force_trials": forced.trials,
        "brute_force_differ": forced.differ,
        "brute_force_largest": forced.largest,
        "brute_force_lost_share": forced.lost / forced.best,
        "symptoms": looked.symptoms,
        "looks": looked.looks,
        "looking_over_perfect_highest": looked.highest,
        "looking_over_perfect_mean": float(np.mean(looked.ratios)) if looked.ratios else 0.0,
        "perfect_test_off": looked.perfect_off,
        "bench_time_over_values": time_over_bare_values(bench, model),
    }


def lines(found: dict[str, float], machines: int) -> Iterator[Figure]:
    """Yield a line a figure."""
    bench = min(machines, BENCH)
    yield at_most(
        f"bench of {bench} machines: gap to the integer optimum, widest of 3 limits", found["gap"], 0
    )
    lost = f" of {found['brute_force_trials']:.0f}, {found['brute_force_lost_share']:.2%} of the return"
    note = f"{lost} in all, {found['brute_force_largest']:.2f} at most"
    yield at_most(
        "week's plan and brute force on four machines: trials that differ",
        found["brute_force_differ"],
        0,
        0,
        note=note,
    )
    note = f" (mean {found['looking_over_perfect_mean']:.3f} over {found['looks']:.0f} looks)"
    highest = found["looking_over_perfect_highest"]
    yield at_most("value of looking / perfect information, highest", highest, 1 + SAME, 6, note=note)
    off = found["perfect_test_off"]
    yield at_most("perfect test: value of looking less perfect information, largest difference", off, SAME, 9)
    ratio = found["bench_time_over_values"]
    yield at_most(f"`valuer bench` on {bench} machines / bare values of its rows", ratio, 2.0, 1)
