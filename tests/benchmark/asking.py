"""How good the asking price is: plans learned from listings against the best plan that knows the simulator."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.benchmark.figures import Figure, at_least, at_most, beside
from tests.benchmark.true_market import TERMS, WEIGHTS, Case, best_plan, draw_cases, worth_of
from valuer.advice.sale.keeping import keep_or_list
from valuer.market.files import SEED
from valuer.market.listings import draw_listings, listing_table
from valuer.price_model.selling import SellingModel, fit_selling_model

WEEKS = 12
PLANS, SPREAD, MONTHS = 40, 100, 40  # machines for the regret, the calibration and the month advice
FITS = 4  # models for each number of listings, each from listings of its own
NAIVE = {"ask = value": (1.0, 0.0), "10 % above, 4 % cuts": (1.1, 0.04), "20 % above, 8 % cuts": (1.2, 0.08)}
ORDINARY_LEAST = 0.88  # what a seller without advice takes beside the value; common practice, no source

Best = list[tuple[float, list[float], list[float]]]


def run() -> list[Figure]:
    """The figures of the asking price; every machine and listing is invented."""
    cases = draw_cases(PLANS, 1)
    best = [best_plan(case, WEEKS) for case in cases]
    few, usual = ([fit_selling_model(draw_listings(n, 100 + i)[1]) for i in range(FITS)] for n in (300, 1000))
    figures = [
        at_most("regret of the ask plan, from 1,000 listings, %", regret(cases, best, usual), 0.7, 2),
        at_most("regret of the ask plan, from 300 listings, %", regret(cases, best, few), 1.2, 2),
    ]
    for name, (ratio, cut) in NAIVE.items():
        figures.append(beside(f"regret of {name}, %", f"{naive_regret(cases, best, ratio, cut):.2f}"))
    shipped = fit_selling_model(listing_table(SEED))
    figures.append(at_most("chance of sale by week 4, calibration error", calibration_error(shipped), 0.03))
    errors = [calibration_error(model) for model in usual]
    figures.append(
        beside("the same from 1,000 listings, mean", f"{np.mean(errors):.3f}, worst {max(errors):.3f}")
    )
    least = 100 * np.mean([least_regret(cases, best, model) for model in usual])
    figures.append(at_most("regret of accepting by the least to take, %", float(least), 0.5, 2))
    right, cost = month_advice(shipped)
    figures.append(
        at_least("month advice right, share of machines", right, 0.9, note=f" (loses {cost:.2f} %)")
    )
    return figures


def plan_of(case: Case, model: SellingModel) -> tuple[list[float], list[float]]:
    """Asks and leasts of the plan that the product advises."""
    plan = case.sale(model).plan(WEEKS)
    return [week.ask for week in plan], [min(week.least, week.ask) for week in plan]


def regret(cases: Sequence[Case], best: Best, models: Sequence[SellingModel]) -> float:
    """Worth lost by the plans of the models, summed over machines, in per cent of the best."""
    lost = sum(
        top[0] - worth_of(case, *plan_of(case, m))[0]
        for m in models
        for case, top in zip(cases, best, strict=True)
    )
    return 100 * lost / (len(models) * sum(top[0] for top in best))


def naive_regret(cases: Sequence[Case], best: Best, ratio: float, cut: float) -> float:
    """The same for an ask at a ratio to the value, cut by a share every week."""
    lost = 0.0
    for case, top in zip(cases, best, strict=True):
        value = case.values[case.month - 1]
        asks = [float(value * ratio * (1 - cut) ** week) for week in range(WEEKS)]
        lost += top[0] - worth_of(case, asks, [min(ask, ORDINARY_LEAST * value) for ask in asks])[0]
    return 100 * lost / sum(top[0] for top in best)


def least_regret(cases: Sequence[Case], best: Best, model: SellingModel) -> float:
    """Share of worth lost when the asks are the best ones and offers are taken by the model's least to take."""
    lost = 0.0
    for case, (worth, asks, _) in zip(cases, best, strict=True):
        least = plan_of(case, model)[1]
        least += [least[-1]] * (len(asks) - len(least))
        lost += worth - worth_of(case, asks, [min(pair) for pair in zip(asks, least, strict=False)])[0]
    return lost / sum(top[0] for top in best)


def calibration_error(model: SellingModel) -> float:
    """Mean distance, over deciles, of the promised from the true chance of a sale by week 4 of the plan."""
    promised, true = [], []
    for case in draw_cases(SPREAD, 2):
        sale = case.sale(model)
        plan = sale.plan(WEEKS)[:4]
        promised.append(1 - np.prod([1 - week.chance for week in plan]))
        _, chance, _ = worth_of(
            case, [week.ask for week in plan], [min(week.least, week.ask) for week in plan]
        )
        true.append(WEIGHTS @ (1 - np.prod(1 - chance, axis=0)))
    order = np.argsort(promised)
    gaps = [
        abs(np.mean(np.array(promised)[part] - np.array(true)[part])) for part in np.array_split(order, 10)
    ]
    return float(np.mean(gaps))


def month_advice(model: SellingModel) -> tuple[float, float]:
    """Share of machines for which list-now or keep is the better one, and worth lost by wrong advice in per cent."""
    right, lost, whole = 0, 0.0, 0.0
    for case in draw_cases(MONTHS, 3):
        advised = keep_or_list(case.sale(model), TERMS, WEEKS)
        truly = keep_or_list(case.sale(case.truth), TERMS, WEEKS)
        right += advised.verdict == truly.verdict
        gap = abs(truly.worth_kept - truly.worth_now)
        lost += gap if advised.verdict != truly.verdict else 0.0
        whole += max(truly.worth_kept, truly.worth_now)
    return right / MONTHS, 100 * lost / whole
