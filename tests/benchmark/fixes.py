"""How much of the gain that perfect knowledge of prices would bring the work lists bring: 2,000 machines.

The simulator knows what every machine would fetch in every state, so that a list chosen on estimates can be valued at
the truth: the same acts and odds, the true prices. Leaving everything gains 0. Ratios are of sums. Then the week:
200 machines on one bench.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from sklearn.ensemble import HistGradientBoostingRegressor

from tests.benchmark.figures import Figure, at_least, at_most, beside, keep, within
from tests.benchmark.hidden import Tries, orders
from tests.benchmark.machines import MONTH, ends_checked, from_stock
from tests.benchmark.repairer import Desk, FixedPlan
from tests.benchmark.trained import BASIS, as_numbers
from valuer.advice.ports import Basis, Beyond, FloatArray, Months, ValueModel
from valuer.advice.work.bench import plan_bench
from valuer.advice.work.course import course_of
from valuer.advice.work.done import NOTHING_DONE
from valuer.advice.work.job import Job, jobs
from valuer.advice.work.making import Making
from valuer.advice.work.tree import Prices, solve
from valuer.advice.work.ways_out import ways_out
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.market.assumptions import assumptions
from valuer.market.buyers import Buyers
from valuer.market.sales import draw_sales
from valuer.market.stock import ATTRIBUTES, Stock
from valuer.price_model.mower import MowerModel, model_table, train_mower_model

N_TRAIN = 20_000
AT_A_TIME = 50
HOUR_VALUES = ((6.0, 0.969), (14.0, 0.960), (22.0, 0.947))
TYPICAL_HOUR = 14.0
LIMITS = ((3.0, 40.0), (6.0, 80.0), (20.0, 250.0))
DEARER_HOURS = (0.0, 2.0, 5.0, 10.0, 20.0, 40.0, 80.0)
DEARER_CASH = (1.0, 1.15, 1.5, 2.5, 5.0)
CHEAP = 20.0


# ------------------------------------------------------------------------------------------ models to advise on
@dataclass(frozen=True)
class TruthModel:
    """The simulator as a model of values: it knows every attribute of every machine of the stock."""

    stock: Stock
    basis: Basis = BASIS

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        """Rows of the place in the stock and one column a fault."""
        del month  # the stock already stands in the month of the question
        rows = np.zeros((len(machines), 1 + len(fault_catalogue())))
        rows[:, 0] = [int(machine.id.removeprefix("m")) for machine in machines]
        return rows

    def fault_column(self, fault: str) -> int:
        """Column of a fault."""
        return 1 + list(fault_catalogue()).index(fault)

    def value(self, rows: FloatArray) -> FloatArray:
        """True value: exp of the mean log price."""
        buyers = Buyers(assumptions())
        columns = [self.fault_column(fault) for fault in assumptions().fault_ids]
        parts = []
        for start in range(0, len(rows), 20_000):
            some = rows[start : start + 20_000]
            stock = self.stock.take(some[:, 0].astype(int)).with_severity(some[:, columns].astype(np.int8))
            parts.append(buyers.outcomes(stock).expected_log_price())
        return np.exp(np.concatenate(parts))

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """No interval is asked for."""
        value = self.value(rows) if value is None else value
        return value, value

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        """Nothing is."""
        return ()

    def records(self, fault: str, severity: str) -> int:
        """Truth needs no records."""
        return 10_000


@dataclass(frozen=True)
class DefaultTrees:
    """scikit-learn's boosted trees with their defaults, on the same columns, as a model of values."""

    like: pd.DataFrame
    trees: Any
    basis: Basis = BASIS

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        """Level codes, numbers, one column a fault."""
        sales = pd.DataFrame([{n: getattr(m, n, None) for n in ATTRIBUTES} for m in machines], dtype=object)
        sales = sales.assign(month=month, faults="", price=1.0)
        return as_numbers(model_table(sales), self.like)

    def fault_column(self, fault: str) -> int:
        """Column of a fault: faults come last."""
        names = list(fault_catalogue())
        return int(as_numbers(self.like.head(1), self.like).shape[1]) - len(names) + names.index(fault)

    def value(self, rows: FloatArray) -> FloatArray:
        """Exp of the predicted log price."""
        return np.asarray(np.exp(self.trees.predict(rows)))

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """No interval is asked for."""
        value = self.value(rows) if value is None else value
        return value, value

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        """Nothing is."""
        return ()

    def records(self, fault: str, severity: str) -> int:
        """Not asked for."""
        return 10_000


# ------------------------------------------------------------------------------------------------ at true prices
def at_truth(job: Job, true: Job, model: ValueModel) -> float:
    """Return what following a machine's list gains at true prices: the same acts, other money at the end.

    ``true`` is the machine's job under the ``model`` that knows the truth.
    """
    course = course_of(job)
    if not course.works:
        return 0.0
    named = Making(true.lattice, model, job.terms, job.shop, NOTHING_DONE).named
    troubles = list(job.troubles)
    for axis, told in job.stories.items():
        factor = replace(told.riddle, named=named[axis]).factors(told.beliefs)
        troubles[axis] = replace(told.trouble, factor=np.where(told.trouble.there > 0, factor, 1.0))
    ends = ways_out(true.lattice, troubles, job.terms, job.checks_left).best
    proceeds = sum(chance * float(ends[state]) for state, chance in course.endings)
    return proceeds - course.cash - job.terms.hour_value * course.hours - true.now


def rules(desk: Desk) -> dict[str, float]:
    """Return what rules of thumb gain at the prices of a desk: on each chosen fault the surest fix, once."""
    search = FixedPlan.of(desk)
    none = Tries((), (), 0.0)
    surest = [_surest(desk, axis, none) for axis in range(len(desk.found))]
    costs = [desk.cost(tries.fixes) if tries.fixes else np.inf for tries in surest]
    by_cost = sorted(range(len(costs)), key=costs.__getitem__)
    chosen = {
        "fix everything": range(len(costs)),
        f"fix what is cheap (under {CHEAP:g})": [axis for axis, cost in enumerate(costs) if cost < CHEAP],
        "two cheapest": by_cost[:2],
    }
    return {
        name: search.gain([tries if axis in axes else none for axis, tries in enumerate(surest)])
        - desk.first.now
        for name, axes in chosen.items()
    }


def _surest(desk: Desk, axis: int, none: Tries) -> Tries:
    if desk.first.troubles[axis].size == 1:
        return none
    return max(orders(desk.found[axis], desk.machine, most=1), key=lambda tries: tries.cured)


@dataclass(frozen=True)
class Study:
    """The machines, the truth, and the models whose advice is judged."""

    machines: list[Machine]
    truth: TruthModel
    model: MowerModel
    trees: DefaultTrees


def study(seed: int, machines: int) -> Study:
    """Train the model and its rival on one market draw, and draw machines of another."""
    sales = draw_sales(N_TRAIN, seed)[1]
    table = model_table(sales)
    trees = HistGradientBoostingRegressor(random_state=0).fit(
        as_numbers(table, table), np.log(table["price"])
    )
    stock, drawn = from_stock(machines, 3000 + seed)
    checked = [ends_checked(machine) for machine in drawn]
    return Study(checked, TruthModel(stock), train_mower_model(sales, BASIS), DefaultTrees(table, trees))


def shares(s: Study, hour_value: float) -> dict[str, float]:
    """Return the gain of the advice over that of perfect knowledge, and promised over realised gain."""
    terms = ShopTerms(month=MONTH, hour_value=hour_value)
    perfect = advice = promised = 0.0
    for start in range(0, len(s.machines), AT_A_TIME):
        some = s.machines[start : start + AT_A_TIME]
        for true, advised in zip(jobs(some, s.truth, terms), jobs(some, s.model, terms), strict=True):
            perfect += course_of(true).returns
            advice += at_truth(advised, true, s.truth)
            promised += course_of(advised).returns
    return {"advice": advice / perfect, "promised / realised": promised / advice}


def others(s: Study, hour_value: float, some: Sequence[Machine]) -> dict[str, float]:
    """Return the share of the perfect gain of rules of thumb and of the rival's advice, on some of the machines."""
    terms = ShopTerms(month=MONTH, hour_value=hour_value)
    gains: dict[str, float] = {"default trees' advice": 0.0}
    perfect = 0.0
    for machine, true, by_trees in zip(
        some, jobs(some, s.truth, terms), jobs(some, s.trees, terms), strict=True
    ):
        perfect += course_of(true).returns
        gains["default trees' advice"] += at_truth(by_trees, true, s.truth)
        for name, gain in rules(Desk(machine, s.truth, terms)).items():
            gains[name] = gains.get(name, 0.0) + gain
    return {name: gain / perfect for name, gain in gains.items()}


# ----------------------------------------------------------------------------------------------------- the week
def week(machines: Sequence[Machine], model: ValueModel) -> dict[str, float]:
    """Return the widest gap of a bench to the best choice among its offers, and its share of the bound to all trees."""
    terms = ShopTerms(month=MONTH)
    every = jobs(machines, model, terms)
    found = {"gap": 0.0}
    for hours, cash in LIMITS:
        plan = plan_bench(machines, model, terms.model_copy(update={"hours": hours, "cash": cash}))
        found["gap"] = max(found["gap"], plan.gap)
        found[f"{hours:g} h and {cash:g}"] = plan.expected_return / bound(every, hours, cash)
    return found


def bound(every: Sequence[Job], hours: float, cash: float) -> float:
    """Return what no choice of trees brings more than, within limits on expected hours and cash.

    Each limit is lifted and hours and cash are charged dearer instead, what is left of the limits paid out: for any
    charges that is a bound (Lagrange); the least over a grid is taken. Worst cash is not less than expected cash.
    """
    dearer = [(h, c) for h in DEARER_HOURS for c in DEARER_CASH]
    totals = np.array([h * hours + (c - 1) * cash for h, c in dearer])
    for job in every:
        rows = [(Prices(job.terms.hour_value + h, c, 0.0), frozenset[int]()) for h, c in dearer]
        trees = solve(job.troubles, job.acts, job.ways.best, rows)
        totals += [float(tree.value[tree.start]) - job.now for tree in trees]
    return float(totals.min())


def run(seed: int = 1, machines: int = 2_000, bench: int = 200, beside_it: int = 100) -> Iterator[Figure]:
    """Measure, keep the figures, and yield a line a figure.

    The rules of thumb and the slow rival are played on the first ``beside_it`` machines only.
    """
    s = study(seed, machines)
    by_hour: dict[str, Mapping[str, float]] = {}
    for hour, goal in HOUR_VALUES:
        found = by_hour[f"{hour:g}"] = shares(s, hour)
        yield at_least(f"share of the perfect-knowledge gain, hour worth {hour:g}", found["advice"], goal)
        yield within(f"promised / realised gain, hour worth {hour:g}", found["promised / realised"], 0.9, 1.1)
    for name, share in others(s, TYPICAL_HOUR, s.machines[:beside_it]).items():
        yield beside(f"  share for {name}, {beside_it} machines, hour worth {TYPICAL_HOUR:g}", f"{share:.3f}")
    planned = week(s.machines[:bench], s.model)
    yield at_most(f"bench of {bench}: gap to the best of its offers, widest of 3 limits", planned["gap"], 0)
    for name, share in planned.items():
        if name != "gap":
            yield beside(f"  its return within {name} of parts / the bound to all trees", f"{share:.3f}")
    keep("fixes", {"machines": len(s.machines), "by_hour": by_hour, "week": planned, "seed": seed})
