"""How near the price model comes to the truth of the synthetic market, mean and worst over seeds, and of another one.

`--seed` is the first of `--runs` seeds. Each draws as many sales to train on as are shipped, and others to test on. The
noise floor is the error of the true mean log price given what the record says (`valuer.market.truth`), its own
sampling error taken out. The other market shares no formula with ours (`second_market`); the same method is trained on
its sales.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.linear_model import LinearRegression

from tests.benchmark.figures import Figure, at_least, at_most, beside, keep, within
from tests.benchmark.open_tables import open_figures, open_tables
from tests.benchmark.other_market import other_figures, other_market
from tests.benchmark.planted import (
    FOUND_FROM,
    PLANTED,
    TOGETHER,
    crossed_recovery,
    law_violations,
    pair_recovery,
    planted_effects,
)
from tests.benchmark.trained import (
    N_COST,
    N_TEST,
    N_TRAIN,
    Floats,
    Run,
    as_dummies,
    as_numbers,
    draw_run,
    known_table,
)
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.market.assumptions import assumptions
from valuer.market.buyers import Buyers
from valuer.market.sales import draw_sales
from valuer.market.stock import Stock
from valuer.price_model import load_or_train
from valuer.price_model.evaluation import coverage_by, pinball, rmse, subgroups
from valuer.price_model.fit import PriceModel
from valuer.price_model.mower import MowerModel


@dataclass(frozen=True)
class Cures:
    """Faults cured alone, one row a (machine, fault): the machines before and after, the fault, the true gain."""

    before: Stock
    after: Stock
    fault: NDArray[np.intp]
    gain: Floats


def draw_cures(seed: int) -> Cures:
    """Draw fresh machines and cure each of their faults alone."""
    stock, _ = draw_sales(N_COST, 2000 + seed)
    rows, faults = np.nonzero(stock.severity)
    chosen = np.sort(np.random.default_rng(seed).choice(len(rows), min(12_000, len(rows)), replace=False))
    rows, faults = rows[chosen], faults[chosen]
    before = stock.take(rows)
    severity = before.severity.copy()
    severity[np.arange(len(rows)), faults] = 0
    after = before.with_severity(severity)
    buyers = Buyers(assumptions())
    worth = [np.exp(buyers.outcomes(s).expected_log_price()) for s in (before, after)]
    return Cures(before, after, faults, worth[1] - worth[0])


def cost_errors(
    cures: Cures, before: Floats, after: Floats, seen: NDArray[np.int64]
) -> tuple[float, float, pd.DataFrame]:
    """Mean absolute error and bias of estimated gains, as shares of the true mean; mean gains by fault, in money."""
    estimate = np.exp(after) - np.exp(before)
    often = seen[cures.fault] >= 200
    miss, true = (estimate - cures.gain)[often], cures.gain[often].mean()
    by_fault = pd.DataFrame(
        {"fault": cures.fault[often], "estimate": estimate[often], "true": cures.gain[often]}
    )
    sums = by_fault.groupby("fault").mean()
    return float(np.abs(miss).mean() / true), float(miss.mean() / true), sums


# -------------------------------------------------------------------------------------------------------------- rivals
def straight_line(table: pd.DataFrame, like: pd.DataFrame) -> Floats:
    """Log of new price x (1 - age / 12), never under a tenth; unknowns at their mean. It knows no faults."""
    new = table["new_price"].astype(float).fillna(like["new_price"].astype(float).mean())
    age = table["age_years"].astype(float).fillna(like["age_years"].astype(float).mean())
    return np.asarray(np.log(new * np.maximum(1.0 - age / 12.0, 0.1)), dtype=float)


def rivals(run: Run) -> dict[str, Any]:
    """Fitted rivals by name: functions from a table to log prices."""
    y = np.log(run.table["price"].to_numpy())
    trees = HistGradientBoostingRegressor(random_state=0).fit(as_numbers(run.table, run.table), y)
    line = LinearRegression().fit(as_dummies(run.table, run.table), y)
    shift = float(np.mean(y - straight_line(run.table, run.table)))
    return {
        "trees alone": lambda t: trees.predict(as_numbers(t, run.table)),
        "least squares": lambda t: line.predict(as_dummies(t, run.table)),
        "straight line": lambda t: straight_line(t, run.table) + shift,
    }


# ----------------------------------------------------------------------------------------------- the shipped artifact
def shipped_as_it_is(run: Run, cures: Cures) -> dict[str, float]:
    """The file that is shipped, on sales and cures of this seed: error, fault cost error, coverage."""
    model, price = load_or_train().price_model, run.test["price"].to_numpy()
    told = model.predict(run.test)
    before, after = (model.log_value(model.rows(known_table(s))) for s in (cures.before, cures.after))
    seen = (run.stock.severity > 0).sum(axis=0)
    return {
        "shipped_ratio": rmse(run.actual, np.log(told["value"].to_numpy())) / run.floor,
        "shipped_cost": cost_errors(cures, before, after, seen)[0],
        "shipped_coverage": float(np.mean((price >= told["low"]) & (price <= told["high"]))),
    }


# -------------------------------------------------------------------------------------------------------------- speed
def side_by_side(
    first: Callable[[], object], second: Callable[[], object], times: int
) -> tuple[float, float]:
    """Least wall time of each of two calls, taken in turns after one of each to warm up.

    The least, because other work on the machine only ever adds.
    """
    taken: list[list[float]] = [[], []]
    for turn in range(times + 1):
        for call, seconds in zip((first, second), taken, strict=True):
            start = time.perf_counter()
            call()
            if turn:
                seconds.append(time.perf_counter() - start)
    return min(taken[0]), min(taken[1])


EIGHT = ("starter_noise", "fuel_leak_carb", "oil_leak_minor", "stiff_roll", "blade_dull", "dirty", "bag_missing",
         "paint_faded")  # fmt: skip
DESCRIBED = {
    "id": "eight", "drive": "rear_variable", "tier": "mid", "age_years": 6.0, "deck_width_in": 21.0,
    "deck_material": "steel", "engine_class": "mid_ohv", "start": "rope", "looks": "scuffed", "kept": "inside",
    "blade_clutch": False, "mulch_kit": True, "high_wheels": False, "new_price": 500.0,
    "faults": [f"{fault}:serious" for fault in EIGHT],
}  # fmt: skip


def advice_seconds(model: MowerModel) -> tuple[float, float]:
    """Seconds of full advice for a described machine with 8 faults, and of the bare value of its 256 rows."""
    from valuer.advice.work.work_list import work_lists  # noqa: PLC0415
    from valuer.advice.worth.valuation import value_machines  # noqa: PLC0415
    from valuer.domain.shop import ShopTerms  # noqa: PLC0415

    machine, terms = Machine.model_validate(DESCRIBED), ShopTerms(month=5)
    rows = np.repeat(model.encode([machine], 5), 256, axis=0)
    for bit, fault in enumerate(EIGHT):
        rows[:, model.fault_column(fault)] = 2.0 * ((np.arange(256) >> bit) & 1)
    advice = lambda: (value_machines([machine], model, terms), work_lists([machine], model, terms))  # noqa: E731
    return side_by_side(advice, lambda: model.value(rows), 40)


def throughput_ratio(model: PriceModel, test: pd.DataFrame, n: int = 100_000) -> float:
    """Rows a second of predict(table), over those of the fitted parts on rows already coded."""
    from valuer.price_model.design import code_table  # noqa: PLC0415

    table = test.sample(n, replace=True, random_state=1).reset_index(drop=True)
    coded = code_table(table, model.columns)
    bare, whole = side_by_side(
        lambda: model.predict_rows(model.rows_of(coded)), lambda: model.predict(table), 3
    )
    return bare / whole


def speeds(run: Run) -> dict[str, float]:
    """Every figure about time."""
    advice, bare = advice_seconds(run.model)
    ratio = throughput_ratio(run.model.price_model, run.test)
    return {"advice_seconds": advice, "bare_seconds": bare, "throughput_ratio": ratio}


# ---------------------------------------------------------------------------------------------------------- the figures
def measure(run: Run) -> dict[str, Any]:
    """Every figure of one seed."""
    model, test = run.model.price_model, run.test
    actual, p = run.actual, run.predicted
    cures = draw_cures(run.seed)
    seen = (run.stock.severity > 0).sum(axis=0)
    tables = [known_table(s) for s in (cures.before, cures.after)]
    before, after = (model.log_value(model.rows(t)) for t in tables)
    mae, bias, by_fault = cost_errors(cures, before, after, seen)
    error = rmse(actual, np.log(p["value"].to_numpy()))
    base = replace(model, trees=None)
    base_error = rmse(actual, base.log_value(base.rows(test)))
    bare, cured = (base.log_value(base.rows(t)) for t in tables)
    base_cost = cost_errors(cures, bare, cured, seen)[0]
    others = {}
    for name, predict in rivals(run).items():
        cost = cost_errors(cures, predict(tables[0]), predict(tables[1]), seen)[0]
        others[name] = (rmse(actual, predict(test)), cost)
    price = test["price"].to_numpy()
    inside = (price >= p["low"].to_numpy()) & (price <= p["high"].to_numpy())
    groups = coverage_by(subgroups(test, p["value"].to_numpy(), list(fault_catalogue())), inside)
    ends = {q: np.log(p[c].to_numpy()) for q, c in ((0.1, "low"), (0.9, "high"))}
    planted = planted_effects(run)
    lost = [pinball(actual, ends[q], q) / pinball(actual, run.truth.quantile(q), q) for q in ends]
    return {
        "rmse": error, "floor": run.floor, "ratio": error / run.floor, "rivals": others,
        "excess_ratio": (error - run.floor) / (others["trees alone"][0] - run.floor),
        "coverage": float(inside.mean()), "groups": groups, "pinball": float(np.mean(lost)),
        "cost_mae": mae, "cost_bias": bias, "by_fault": by_fault, "cost_ratio": mae / others["trees alone"][1],
        "planted": planted.rare, "planted_pair": planted.pair, "planted_job": planted.job,
        "pairs": pair_recovery(run), "crossed": crossed_recovery(run), "violations": law_violations(run),
        "base_cost": base_cost,
        "boosting": base_error / error,
        **shipped_as_it_is(run, cures),
        "train_seconds": run.train_seconds, "trees": 0 if model.trees is None else model.trees.count,
    }  # fmt: skip


def run(seed: int = 1, runs: int = 5) -> Iterator[Figure]:
    """Measure the seeds, keep the figures in model_cards/metrics.json, and yield a line a figure."""
    seeds, found = list(range(seed, seed + runs)), []
    last = draw_run(seed)
    for one in seeds:
        last = last if one == seed else draw_run(one)
        found.append(measure(last))
    summary = summarise(seeds, found)
    summary |= speeds(last)
    summary["other_market"] = other_market(seed)
    summary["open_tables"] = open_tables(seed)
    keep("price", summary)
    yield from figures(summary)


def recovered(effects: list[tuple[float, float]]) -> dict[str, float]:
    """The mean true effect of several runs, and the share of their sum that the model says."""
    true, found = np.sum(effects, axis=0)
    return {"true": float(true / len(effects)), "recovered": float(found / true)}


def summarise(seeds: list[int], runs: list[dict[str, Any]]) -> dict[str, Any]:
    """Mean and worst over the seeds, the coverage of subgroups, and what each fault costs by model and truth."""
    names = ("rmse", "floor", "ratio", "excess_ratio", "coverage", "pinball", "cost_mae", "cost_bias", "cost_ratio",
             "planted", "planted_pair", "planted_job", "violations", "train_seconds", "trees", "boosting", "base_cost",
             "shipped_ratio", "shipped_cost", "shipped_coverage")  # fmt: skip
    values = {name: [float(r[name]) for r in runs] for name in names}
    groups = pd.concat([r["groups"] for r in runs])
    groups["inside"] = groups["coverage"] * groups["rows"]
    pooled = groups.groupby("group", sort=False)[["rows", "inside"]].sum()
    costs = pd.concat([r["by_fault"] for r in runs])
    costs["bias"] = costs["estimate"] / costs["true"] - 1.0
    by_fault = costs.groupby(level="fault").mean().rename(index=dict(enumerate(assumptions().fault_ids)))
    pairs = {
        name: {"rows": float(np.mean([r["pairs"][name][0] for r in runs]))}
        | recovered([r["pairs"][name][1:] for r in runs])
        for name in runs[0]["pairs"]
    }
    crossed = {name: recovered([r["crossed"][name] for r in runs]) for name in runs[0]["crossed"]}
    others = {
        name: {"rmse": float(np.mean([r["rivals"][name][0] for r in runs])),
               "cost_mae": float(np.mean([r["rivals"][name][1] for r in runs]))}
        for name in runs[0]["rivals"]
    }  # fmt: skip
    return {
        "seeds": seeds, "rows_trained": N_TRAIN, "rows_tested": N_TEST, "by_seed": values, "pairs": pairs,
        "crossed": crossed,
        "rivals": others, "fault_bias": by_fault["bias"].to_dict(),
        "fault_costs": by_fault[["estimate", "true"]].to_dict("index"),
        "groups": [{"group": g, "rows": int(r.rows), "coverage": float(r.inside / r.rows)}
                   for g, r in pooled.iterrows() if r.rows],
    }  # fmt: skip


def mean(summary: dict[str, Any], name: str) -> float:
    """Mean over the seeds."""
    return float(np.mean(summary["by_seed"][name]))


def spread(summary: dict[str, Any], name: str) -> str:
    """Mean and worst of a figure, as text beside the measured mean."""
    values = summary["by_seed"][name]
    return f" (worst seed {max(values):.3f})"


def figures(s: dict[str, Any]) -> Iterator[Figure]:
    """One line a figure."""
    yield at_most("RMSE of log price / noise floor", mean(s, "ratio"), 1.05, note=spread(s, "ratio"))
    yield at_most(
        "excess over the floor / excess of default trees",
        mean(s, "excess_ratio"),
        0.30,
        note=spread(s, "excess_ratio"),
    )
    yield within("coverage of the 80 % interval", mean(s, "coverage"), 0.79, 0.81)
    big = [g for g in s["groups"] if g["rows"] >= 300 * len(s["seeds"])]
    low, high = min(big, key=lambda g: g["coverage"]), max(big, key=lambda g: g["coverage"])
    yield within(f"lowest coverage of a subgroup ({low['group']})", low["coverage"], 0.76, 0.84)
    yield within(f"highest coverage of a subgroup ({high['group']})", high["coverage"], 0.76, 0.84)
    yield at_most(
        "pinball loss at .1 and .9 / that of the true quantiles",
        mean(s, "pinball"),
        1.03,
        note=spread(s, "pinball"),
    )
    yield at_most(
        "fault cost: mean absolute error / mean cost", mean(s, "cost_mae"), 0.13, note=spread(s, "cost_mae")
    )
    yield at_most(
        "fault cost: mean bias",
        abs(mean(s, "cost_bias")),
        0.03,
        note=f" (signed {mean(s, 'cost_bias'):+.3f})",
    )
    name, bias = max(s["fault_bias"].items(), key=lambda kv: abs(kv[1]))
    yield at_most(f"fault cost: worst bias of one fault over the seeds ({name})", abs(bias), 0.20)
    yield at_most(
        "fault cost error / that of default trees", mean(s, "cost_ratio"), 0.55, note=spread(s, "cost_ratio")
    )
    yield within("fault with 25 records and a true effect of .12: recovered", mean(s, "planted"), 0.09, 0.15)
    for pair, found in s["pairs"].items():
        name = f"pair {pair} ({found['rows']:.1%} of rows, {found['true']:+.3f} in logs): recovered share"
        if abs(found["true"]) >= FOUND_FROM:
            yield within(name, found["recovered"], 0.7, 1.3)
        else:
            yield beside(name, f"{found['recovered']:.3f}, of next to nothing")
    for kind in PLANTED:
        yield within(
            f"planted {kind} that nobody named ({TOGETHER:.1%} of rows): recovered share",
            mean(s, f"planted_{kind}"), 0.6, 1.3,
        )  # fmt: skip
    for name, cross in s["crossed"].items():
        yield within(
            f"{name} ({cross['true']:+.3f} in logs; no column of the base): recovered share",
            cross["recovered"],
            0.6,
            1.3,
        )
    yield at_most("law violations in 20,000 random pairs, all seeds", sum(s["by_seed"]["violations"]), 0, 0)
    yield at_least("home: error of the base alone / with the boosting", mean(s, "boosting"), 1.02)
    yield beside("home: fault cost error of the base alone", f"{mean(s, 'base_cost'):.3f}")
    yield at_most("the shipped file, on the same sales: RMSE / noise floor", mean(s, "shipped_ratio"), 1.05)
    yield at_most("the shipped file: fault cost error", mean(s, "shipped_cost"), 0.13)
    yield within("the shipped file: coverage of the 80 % interval", mean(s, "shipped_coverage"), 0.79, 0.81)
    yield from other_figures(s["other_market"])
    yield from open_figures(s["open_tables"])
    for rival, r in s["rivals"].items():
        yield at_most(f"price error / that of {rival}", mean(s, "rmse") / r["rmse"], 1.0)
        yield at_most(f"fault cost error / that of {rival}", mean(s, "cost_mae") / r["cost_mae"], 1.0)
    advice, bare = s["advice_seconds"], s["bare_seconds"]
    note = f" ({1000 * advice:.1f} ms over {1000 * bare:.2f} ms)"
    yield at_most("full advice for 8 faults / bare value of its 256 rows", advice / bare, 2.0, 1, note=note)
    yield at_least("100,000 machines: rows a second / fitted parts", s["throughput_ratio"], 0.7, 2)
    yield beside("training, seconds", f"{mean(s, 'train_seconds'):.0f}")
    yield beside("trees on the residual", ", ".join(f"{t:.0f}" for t in s["by_seed"]["trees"]))
