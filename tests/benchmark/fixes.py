"""How much of the gain that perfect knowledge would bring the advice on fixes brings: 2,000 machines.

The simulator knows what every machine would fetch in every state, so that a plan chosen on estimates can be valued at
the truth: the same fixes, odds, hours and parts, the true prices. Fixing nothing gains 0. Ratios are of sums.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from sklearn.ensemble import HistGradientBoostingRegressor

from tests.benchmark import deciding
from tests.benchmark.figures import Figure, at_least, beside, keep, within
from tests.benchmark.price import BASIS, as_numbers
from valuer.advice.ports import Basis, Beyond, FloatArray
from valuer.advice.work.bay import Bay, bays
from valuer.advice.work.clusters import Case, clusters
from valuer.advice.work.plans import every_plan
from valuer.advice.work.policies import NO_FIX, usual_workshop
from valuer.advice.work.search import Plan, best_plan
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.market.assumptions import assumptions
from valuer.market.buyers import Buyers
from valuer.market.sales import draw_sales
from valuer.market.stock import ATTRIBUTES, Stock
from valuer.price_model.mower import MowerModel, model_table, train_mower_model

N_TRAIN, N_MACHINES, MONTH, MOST_FAULTS = 20_000, 2_000, 5, 12
N_MARGINS = 400
N_DECIDED = 600  # machines whose symptoms are looked into; the first 200 of them stand on the bench
HOUR_VALUES = ((6.0, 0.92), (14.0, 0.90), (22.0, 0.85))
SEVERITY = ("", "slight", "serious")


# ------------------------------------------------------------------------------------------ models to advise on
@dataclass(frozen=True)
class TruthModel:
    """The simulator as a model of values: it knows every attribute of every machine of the stock."""

    stock: Stock
    basis: Basis = BASIS

    def encode(self, machines: Sequence[Machine], month: int) -> FloatArray:
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

    def interval(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """No interval is asked for."""
        value = self.value(rows)
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

    def encode(self, machines: Sequence[Machine], month: int) -> FloatArray:
        """Level codes, numbers, one column a fault."""
        sales = pd.DataFrame([{n: getattr(m, n) for n in ATTRIBUTES} for m in machines], dtype=object)
        sales = sales.assign(month=month, faults="", price=1.0)
        return as_numbers(model_table(sales), self.like)

    def fault_column(self, fault: str) -> int:
        """Column of a fault: faults come last."""
        names = list(fault_catalogue())
        return int(as_numbers(self.like.head(1), self.like).shape[1]) - len(names) + names.index(fault)

    def value(self, rows: FloatArray) -> FloatArray:
        """Exp of the predicted log price."""
        return np.asarray(np.exp(self.trees.predict(rows)))

    def interval(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """No interval is asked for."""
        value = self.value(rows)
        return value, value

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        """Nothing is."""
        return ()

    def records(self, fault: str, severity: str) -> int:
        """Not asked for."""
        return 10_000


# ------------------------------------------------------------------------------------------------------------- machines
def draw_machines(seed: int) -> tuple[Stock, list[Machine]]:
    """Machines as recorded, with what sellers leave out, and as they truly are, in the month of the question."""
    stock, sales = draw_sales(N_MACHINES + 400, seed)
    fit = np.flatnonzero((stock.severity > 0).sum(axis=1) <= MOST_FAULTS)[:N_MACHINES]
    stock = stock.take(fit)
    stock.attributes["month"] = MONTH
    sales = sales.iloc[fit].reset_index(drop=True)
    return stock, [_machine(row, i) for i, row in enumerate(sales.to_dict("records"))]


def _machine(row: Mapping[Any, Any], place: int) -> Machine:
    known = {n: row[n] for n in ATTRIBUTES if row[n] is not None and row[n] == row[n]}
    flags = {n: bool(v) for n, v in known.items() if n in ("blade_clutch", "mulch_kit", "high_wheels")}
    numbers = {n: float(v) for n, v in known.items() if n in ("age_years", "deck_width_in", "new_price")}
    faults = [pair for pair in row["faults"].split(";") if pair]
    return Machine.model_validate({**known, **flags, **numbers, "id": f"m{place}", "faults": faults})


# ---------------------------------------------------------------------------------------------------------------- plans
def valued_at(case: Case, plan: Plan, proceeds: FloatArray) -> float:
    """What a plan brings over leaving everything, at other sale prices; same fixes, odds and costs."""
    chosen = tuple(_only(p, plan.tries[axis], waits=plan.waits[axis]) for axis, p in enumerate(case.policies))
    one = replace(case, policies=chosen, proceeds=proceeds)
    plans = every_plan(one, clusters(one))
    return float(plans.returns[0])


def _only(policies: Any, tries: tuple[int, ...], *, waits: bool) -> Any:
    first = NO_FIX if waits or not tries else tries[0]
    later = tries if waits else tries[1:]
    width = policies.later.shape[1]
    wanted = (*later, *(NO_FIX,) * (width - len(later)))
    same = (policies.first == first) & (policies.later == np.array(wanted)).all(axis=1)
    return policies.only(np.arange(len(same)) == int(np.flatnonzero(same)[0]))


def plan_of(case: Case, axes: Sequence[int]) -> Plan:
    """A plan by rule: on each chosen fault the fix with the best odds, once; the others are left."""
    tries = tuple(
        (int(case.odds[a].argmax()),) if a in axes and case.odds[a].max() > 0 else ()
        for a in range(len(case.odds))
    )
    nothing = tuple(not t for t in tries)
    return Plan(tries, nothing, (), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def rules(bay: Bay) -> dict[str, list[int]]:
    """Which faults each rule of thumb works on."""
    case = bay.case
    cost = [_cost(case, axis) for axis in range(len(case.odds))]
    by_cost = sorted(range(len(cost)), key=cost.__getitem__)
    return {
        "fix everything": list(range(len(cost))),
        "fix what is cheap (under 20)": [axis for axis, c in enumerate(cost) if c < 20],
        "two cheapest": by_cost[:2],
    }


def _cost(case: Case, axis: int) -> float:
    place = int(case.odds[axis].argmax())
    if case.odds[axis, place] <= 0:
        return float("inf")
    return float(case.shop.parts[place] * case.price_level + case.shop.hours_alone(place) * case.hour_value)


# -------------------------------------------------------------------------------------------------------------- measure
@dataclass(frozen=True)
class Study:
    """The machines, the truth, and the models whose advice is judged."""

    machines: list[Machine]
    truth: TruthModel
    model: MowerModel
    trees: DefaultTrees


def study(seed: int = 1) -> Study:
    """Train the model and its rival on one market draw, and draw machines of another."""
    sales = draw_sales(N_TRAIN, seed)[1]
    table = model_table(sales)
    trees = HistGradientBoostingRegressor(random_state=0).fit(
        as_numbers(table, table), np.log(table["price"])
    )
    stock, machines = draw_machines(3000 + seed)
    return Study(machines, TruthModel(stock), train_mower_model(sales, BASIS), DefaultTrees(table, trees))


def shares(s: Study, hour_value: float, margin: float = 0.0) -> dict[str, float]:
    """Gain of each way to advise over that of perfect knowledge, and promised over realised gain."""
    terms = ShopTerms(month=MONTH, hour_value=hour_value, margin=margin)
    shop = usual_workshop()
    true = bays(s.machines, s.truth, replace_margin(terms), shop)
    gains: dict[str, float] = dict.fromkeys(("perfect", "advice", "promised", "default trees' advice"), 0.0)
    for name, model in (("advice", s.model), ("default trees' advice", s.trees)):
        for bay, truth in zip(bays(s.machines, model, terms, shop), true, strict=True):
            plan = best_plan(bay.case)
            gains[name] += valued_at(bay.case, plan, truth.case.proceeds) if plan.works else 0.0
            gains["promised"] += plan.returns if name == "advice" else 0.0
    for truth in true:
        gains["perfect"] += best_plan(truth.case).returns
        for name, axes in rules(truth).items():
            gains[name] = gains.get(name, 0.0) + valued_at(
                truth.case, plan_of(truth.case, axes), truth.case.proceeds
            )
    shares_ = {name: gain / gains["perfect"] for name, gain in gains.items() if name != "promised"}
    return {**shares_, "promised / realised": gains["promised"] / gains["advice"]}


def replace_margin(terms: ShopTerms) -> ShopTerms:
    """The truth needs no margin against its own noise."""
    return terms.model_copy(update={"margin": 0.0})


def run() -> Iterator[Figure]:
    """Measure, keep the figures, and yield a line a figure."""
    s = study()
    by_hour = {f"{hour:g}": shares(s, hour) for hour, _ in HOUR_VALUES}
    fewer = replace(s, machines=s.machines[:N_MARGINS])
    margins = {f"{m:g}": shares(fewer, 14.0, m)["advice"] for m in (0.0, 2.0, 5.0, 10.0)}
    decided = deciding.measure(s.machines[:N_DECIDED], s.model)
    keep("fixes", {"machines": len(s.machines), "by_hour": by_hour, "margins": margins, "deciding": decided})
    for hour, goal in HOUR_VALUES:
        found = by_hour[f"{hour:g}"]
        yield at_least(f"share of the perfect-knowledge gain, hour worth {hour:g}", found["advice"], goal)
        for name in (
            "fix everything",
            "fix what is cheap (under 20)",
            "two cheapest",
            "default trees' advice",
        ):
            yield beside(f"  the same for: {name}", f"{found[name]:.3f}")
        yield within(f"promised / realised gain, hour worth {hour:g}", found["promised / realised"], 0.9, 1.1)
    yield beside(
        "share at 14 an hour by margin over cost", ", ".join(f"{m}: {v:.4f}" for m, v in margins.items())
    )
    yield from deciding.lines(decided, N_DECIDED)
