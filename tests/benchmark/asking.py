"""How good the asking price is: plans learned from listings against the best plan that knows the simulator."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from tests.benchmark.advert_faults import MACHINES, faulty_adverts
from tests.benchmark.figures import Figure, at_least, at_most, beside, within
from tests.benchmark.past_weeks import WEEKS as PAST
from tests.benchmark.past_weeks import draw_unsold
from tests.benchmark.true_market import TERMS, WEIGHTS, Case, best_plan, draw_cases, worth_of
from valuer.advice.sale.asking_price import asking_weeks
from valuer.advice.sale.history import after, learn
from valuer.advice.sale.keeping import decide, keep_or_list
from valuer.advice.sale.sale import MOST_CUTS, Sale, later
from valuer.advice.sale.waiting import WeekPlan
from valuer.domain.shop import ShopTerms
from valuer.market.files import SEED
from valuer.market.listings import draw_listings, listing_table
from valuer.price_model.selling import SellingModel, fit_selling_model

WEEKS = 12
PLANS, SPREAD, MONTHS = 40, 100, 40  # machines for the regret, the calibration and the month advice
HISTORIES, RATIOS, TREES = (
    60,
    30,
    12,
)  # machines offered for some weeks, for ask beside sale, for the full tree
TREE_WEEKS = 5
FITS = 4  # models for each number of listings, each from listings of its own
NAIVE = {"ask = value": (1.0, 0.0), "10 % above, 4 % cuts": (1.1, 0.04), "20 % above, 8 % cuts": (1.2, 0.08)}
ORDINARY_LEAST = 0.88  # what a seller without advice takes beside the value; common practice, no source

Best = list[tuple[float, list[float], list[float]]]


def run(seed: int = 0) -> Iterator[Figure]:
    """The figures of the asking price; every machine and listing is invented. Another seed draws others."""
    cases = draw_cases(PLANS, 1 + 10 * seed)
    best = [best_plan(case, WEEKS) for case in cases]
    few, usual = (
        [fit_selling_model(draw_listings(n, 100 + i + 1000 * seed)[1]) for i in range(FITS)]
        for n in (300, 1000)
    )
    yield at_most("regret of the ask plan, from 1,000 listings, %", regret(cases, best, usual), 0.4, 2)
    yield at_most("regret of the ask plan, from 300 listings, %", regret(cases, best, few), 0.6, 2)
    for name, (ratio, cut) in NAIVE.items():
        yield beside(f"regret of {name}, %", f"{naive_regret(cases, best, ratio, cut):.2f}")
    shipped = fit_selling_model(listing_table(SEED))
    yield at_most("chance of sale by week 4, calibration error", calibration_error(shipped, seed), 0.03)
    errors = [calibration_error(model, seed) for model in usual]
    yield beside("the same from 1,000 listings, mean", f"{np.mean(errors):.3f}, worst {max(errors):.3f}")
    least = 100 * np.mean([least_regret(cases, best, model) for model in usual])
    yield at_most("regret of accepting by the least to take, %", float(least), 0.5, 2)
    right, cost = month_advice(shipped, seed)
    yield at_least("month advice right, share of machines", right, 0.9, note=f" (loses {cost:.2f} %)")
    yield from _after_weeks(shipped, seed)
    for name, months in (("April to June", (4, 5, 6)), ("November to January", (11, 12, 1))):
        middle, low, high = ask_beside_sale(shipped, months, seed)
        note = f" (8 in 10 from {low:.2f} to {high:.2f})"
        yield within(f"ask / expected sale, {name}, median", middle, 1.05, 1.16, 2, note=note)
    differ, judged = offers_that_differ(shipped, seed)
    yield at_most(f"offers judged otherwise than by the full tree, of {judged}", differ, 0, 0)
    faulty, written = faulty_adverts(seed)
    yield at_most(
        f"adverts with something wrong, of {written} that {MACHINES} machines may have", faulty, 0, 0
    )


def _after_weeks(model: SellingModel, seed: int) -> Iterator[Figure]:
    """What it brings to look at weeks on record: in asks for the rest, and in the value."""
    rng = np.random.default_rng([seed, 91])
    drawn = (draw_unsold(case, model, rng) for case in draw_cases(HISTORIES, 4 + 10 * seed))
    unsold = [each for each in drawn if each is not None]
    looking, blind, top = 0.0, 0.0, 0.0
    errors = []
    for each in unsold:
        fresh = each.now.sale(model)
        learned = learn(fresh.outlook, each.weeks, TERMS.enquiries)
        told = replace(fresh, outlook=after(fresh.outlook, each.weeks, learned))
        best = best_plan(each.now, WEEKS)[0]
        with_it, without = (worth_of(each.now, *_asks(sale.plan(WEEKS)))[0] for sale in (told, fresh))
        looking, blind, top = looking + best - with_it, blind + best - without, top + best
        if any(week.refused for week in each.weeks):
            errors.append((abs(learned.worth - each.worth), abs(each.worth)))
    note = f" ({100 * looking / top:.2f} % beside {100 * blind / top:.2f} %, {len(unsold)} machines)"
    name = f"regret when {PAST} weeks are on record / the same without looking at them"
    yield at_most(name, looking / blind, 0.7, 2, note=note)
    updated, before = np.mean(errors, axis=0)
    note = f" ({updated:.3f} beside {before:.3f} log, {len(errors)} machines)"
    name = "after refused offers: error of the updated value / of the value before"
    yield at_most(name, updated / before, 0.8, 2, note=note)


def ask_beside_sale(model: SellingModel, months: Sequence[int], seed: int) -> tuple[float, float, float]:
    """First ask over the expected sale of the plan, machines listed in these months: median, 10 and 90 %."""
    found = []
    for case in draw_cases(RATIOS, 5 + 10 * seed):
        for month in months:
            sale = replace(case, month=month).sale(model)
            weeks = asking_weeks(sale.outlook, sale.plan(WEEKS))
            sold = np.diff([0.0, *(week.sold_by for week in weeks)])
            found.append(weeks[0].ask * sold.sum() / (sold @ [week.expected_price for week in weeks]))
    low, middle, high = np.quantile(found, [0.1, 0.5, 0.9])
    return float(middle), float(low), float(high)


def offers_that_differ(model: SellingModel, seed: int) -> tuple[int, int]:
    """Offers taken or refused otherwise than by a tree that tries every ask, cut and month; and how many."""
    differ = judged = 0
    for case in draw_cases(TREES, 6 + 10 * seed):
        sale = case.sale(model)
        terms = TERMS.model_copy(update={"month": case.month})
        least = decide(sale, terms, TREE_WEEKS).least
        truly = tree_least(sale, terms, TREE_WEEKS)
        for share in np.linspace(0.55, 1.45, 19):
            offer = float(share * sale.outlook.value_in(0))
            judged += 1
            differ += (offer >= least) != (offer >= truly)
    return differ, judged


def tree_least(sale: Sale, terms: ShopTerms, weeks: int) -> float:
    """What refusing an offer is worth, by the whole tree: wait with any ask and cut, stop, or keep it for a month."""
    waiting = _tree(sale, weeks)
    asks = sale.asks(weeks)[0]
    place = max(range(len(asks)), key=lambda at: waiting(0, at, MOST_CUTS, standing=True))
    start = waiting(0, place, MOST_CUTS, standing=True)
    quick = float(sale.left_over(weeks)[0, 0])
    wait = (
        quick
        if start <= quick
        else min((1 - sale.tied_up) * waiting(1, place, MOST_CUTS) - sale.cost, asks[place])
    )
    kept = []
    for months in range(1, 9):
        later_on = later(sale, (sale.outlook.month_of(0) - 1 + months) % 12 + 1)
        tree = _tree(later_on, weeks)
        best = max(tree(0, at, MOST_CUTS, standing=True) for at in range(len(later_on.asks(weeks)[0])))
        stands = months * 52 / 12
        care = terms.winter_care + terms.winter_care_hours * terms.hour_value if months >= 2 else 0.0
        risk = terms.keeping_loss if months >= 2 else 0.0
        best = max(best, float(later_on.left_over(weeks)[0, 0]))
        kept.append(best * (1 - risk) * (1 - sale.tied_up) ** stands - stands * sale.cost - care)
    return max(kept) if max(kept) > max(start, quick) else wait


def _tree(sale: Sale, weeks: int) -> Callable[..., float]:
    """Worth of a week with an ask and cuts left: as it stands, or after the best cut, each branch followed."""
    asks, left_over = sale.asks(weeks), sale.left_over(weeks)
    each = [
        sale.outlook.prospect(asks[:, place, None], weeks).believing(sale.outlook.learned)
        for place in range(asks.shape[1])
    ]

    @cache
    def worth(week: int, place: int, cuts: int, *, standing: bool = False) -> float:
        if week == weeks:
            return float(left_over[weeks, 0])
        if not standing:
            ways = [worth(week, place, cuts, standing=True)]
            ways += [worth(week, at, cuts - 1, standing=True) for at in range(place) if cuts]
            return max(ways)
        waits = (1 - sale.tied_up) * worth(week + 1, place, cuts) - sale.cost
        sold, price = (float(told[0, 0, 0]) for told in each[place](week, np.array([[[waits]]])))
        return max(sold * price + (1 - sold) * waits, float(left_over[week, 0]))

    return worth


def plan_of(case: Case, model: SellingModel) -> tuple[list[float], list[float]]:
    """Asks and leasts of the plan that the product advises."""
    return _asks(case.sale(model).plan(WEEKS))


def _asks(plan: Sequence[WeekPlan]) -> tuple[list[float], list[float]]:
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


def calibration_error(model: SellingModel, seed: int) -> float:
    """Mean distance, over deciles, of the promised from the true chance of a sale by week 4 of the plan."""
    promised, true = [], []
    for case in draw_cases(SPREAD, 2 + 10 * seed):
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


def month_advice(model: SellingModel, seed: int) -> tuple[float, float]:
    """Share of machines for which list-now or keep is the better one, and worth lost by wrong advice in per cent."""
    right, lost, whole = 0, 0.0, 0.0
    for case in draw_cases(MONTHS, 3 + 10 * seed):
        advised = keep_or_list(case.sale(model), TERMS, WEEKS)
        truly = keep_or_list(case.sale(case.truth), TERMS, WEEKS)
        right += advised.verdict == truly.verdict
        gap = abs(truly.worth_kept - truly.worth_now)
        lost += gap if advised.verdict != truly.verdict else 0.0
        whole += max(truly.worth_kept, truly.worth_now)
    return right / MONTHS, 100 * lost / whole
