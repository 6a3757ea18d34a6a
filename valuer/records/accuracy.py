"""Did the advice hold? Own sales against what was predicted, and fixes against what they promised.

The ratio study follows the International Association of Assessing Officers, Standard on Ratio Studies (April
2013): a ratio is estimate / sale price.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from valuer.domain.fixes import bench_hours, fix_catalogue, parts_cost
from valuer.domain.symptoms import usual_odds
from valuer.records.entries import FixDone, MachineEntry, Prediction, Sale

Floats = NDArray[np.float64]

RESAMPLES = 2000
SEED = 20_130_401
NEEDED = {
    "median ratio": 5,
    "COD": 10,
    "PRD": 10,
    "PRB": 15,
    "coverage": 10,
    "days": 5,
    "fixes": 5,
    "drift": 12,
}
"""Sales (or tries) below which a figure means nothing (judgement)."""

MEANS = {
    "median ratio": "Prediction over price of the sale in the middle: above 1 machines are predicted too dear.",
    "COD": "Coefficient of dispersion: how far, on average, a prediction lies from the usual ratio.",
    "PRD": "Price-related differential: above 1.03 dear machines are predicted too cheap beside cheap ones, below "
    ".98 too dear.",
    "PRB": "Price-related bias: what each doubling of a machine's value does to the ratio; below 0 dear machines "
    "are predicted too cheap.",
    "coverage": "How often the price fell into the range that was named before the sale.",
    "drift": "Whether sales of late bring more or less than predicted, beside the sales before them.",
    "days": "From the first week listed to the sale.",
    "return of a fix": "What fixes brought once parts and hours were paid, beside what was promised for them.",
    "fixes that worked": "How often a fix cured its fault, beside the odds in the catalogue.",
}
"""What each figure tells, for somebody who has never seen it."""


@dataclass(frozen=True)
class RatioStudy:
    """The figures of a ratio study of n pairs. COD is in percent; PRB is a share a doubling of the value."""

    median: float
    mean: float
    weighted_mean: float
    cod: float
    prd: float
    prb: float


def ratio_study(estimates: Sequence[float] | Floats, sales: Sequence[float] | Floats) -> RatioStudy:
    """Return the ratio study of estimates against sale prices, both of shape (n,), n at least 1, all above 0.

    COD = 100 / median x mean |r - median|; PRD = mean(r) / (sum of estimates / sum of sales); PRB = slope of
    (r - median) / median on log2((estimate / median + sale) / 2).

    >>> study = ratio_study([40, 90, 165, 200, 240], [50, 100, 150, 200, 300])
    >>> round(study.median, 3), round(study.cod, 4), round(study.prd, 5)
    (0.9, 11.1111, 1.00136)
    """
    estimate, sale = np.asarray(estimates, dtype=float), np.asarray(sales, dtype=float)
    ratio = estimate / sale
    median, mean = float(np.median(ratio)), float(ratio.mean())
    weighted = float(estimate.sum() / sale.sum())
    return RatioStudy(
        median=median,
        mean=mean,
        weighted_mean=weighted,
        cod=100 / median * float(np.abs(ratio - median).mean()),
        prd=mean / weighted,
        prb=_prb(ratio, median, estimate, sale),
    )


def _prb(ratio: Floats, median: float, estimate: Floats, sale: Floats) -> float:
    worth = np.log2((estimate / median + sale) / 2)
    spread = worth - worth.mean()
    if not np.any(spread):
        return 0.0
    return float(spread @ ((ratio - median) / median) / (spread @ spread))


def bootstrap(
    figure: Callable[[Floats, Floats], float], first: Floats, second: Floats
) -> tuple[float, float]:
    """Return the 80 % percentile interval of a figure of pairs; the resamples are always the same."""
    rng = np.random.default_rng(SEED)
    picks = rng.integers(len(first), size=(RESAMPLES, len(first)))
    found = [figure(first[pick], second[pick]) for pick in picks]
    low, high = np.quantile(found, [0.1, 0.9])
    return float(low), float(high)


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Figure(_Document):
    """One figure with its 80 % interval; ``value`` is null where there is too little to mean anything."""

    name: str
    value: float | None
    low: float | None = None
    high: float | None = None
    count: int = Field(description="sales or tries it rests on")
    needed: int = Field(description="how many it needs")
    goal: str
    said: str = Field(description="the figure in one sentence, or that there is not enough")
    means: str = Field(description="what the figure tells, in a plain sentence")


class SaleSeen(_Document):
    """One own sale beside its prediction, for the picture."""

    id: str
    sold_on: str
    price: float
    predicted: float
    low: float
    high: float


class AccuracyReport(_Document):
    """Whether the advice held."""

    figures: tuple[Figure, ...]
    sales: tuple[SaleSeen, ...] = Field(description="oldest first")


Pair = tuple[MachineEntry, Sale, Prediction]


def accuracy(entries: Sequence[MachineEntry], hour_value: float) -> AccuracyReport:
    """Return how the advice held on these machines; ``hour_value`` is money for an hour of own bench time."""
    pairs = _pairs(entries)
    estimate = np.array([said.amount for _, _, said in pairs], dtype=float)
    price = np.array([sale.price for _, sale, _ in pairs], dtype=float)
    figures = (
        _ratio("median ratio", "{:.2f}", ".90 to 1.10", lambda r: r.median, estimate, price),
        _ratio("COD", "{:.1f} %", "5 to 20 %", lambda r: r.cod, estimate, price),
        _ratio("PRD", "{:.3f}", ".98 to 1.03", lambda r: r.prd, estimate, price),
        _ratio("PRB", "{:+.3f}", "-.05 to .05", lambda r: r.prb, estimate, price),
        _coverage(pairs),
        _drift(np.log(price / estimate) if pairs else np.zeros(0)),
        _days(entries),
        *_fixes(entries, hour_value),
    )
    return AccuracyReport(figures=figures, sales=tuple(_seen(*pair) for pair in pairs))


def _pairs(entries: Sequence[MachineEntry]) -> list[Pair]:
    """Machines sold whole with a prediction made before, oldest first."""
    found = [
        (entry, entry.sale, entry.sale.prediction)
        for entry in entries
        if entry.sale and entry.sale.prediction and entry.sale.sold_as in ("working", "for_repair")
    ]
    return sorted(found, key=lambda pair: pair[1].sold_on)


def _seen(entry: MachineEntry, sale: Sale, said: Prediction) -> SaleSeen:
    return SaleSeen(
        id=entry.id,
        sold_on=sale.sold_on.isoformat(),
        price=sale.price,
        predicted=said.amount,
        low=said.low,
        high=said.high,
    )


def _too_few(name: str, count: int, needed: int, goal: str, what: str = "sales") -> Figure:
    said = f"not enough {what}: {count} of the {needed} that {name} needs to mean something"
    return Figure(name=name, value=None, count=count, needed=needed, goal=goal, said=said, means=MEANS[name])


def _ratio(
    name: str, form: str, goal: str, pick: Callable[[RatioStudy], float], estimate: Floats, price: Floats
) -> Figure:
    needed = NEEDED[name]
    if len(price) < needed:
        return _too_few(name, len(price), needed, goal)
    value = pick(ratio_study(estimate, price))
    low, high = bootstrap(lambda e, p: pick(ratio_study(e, p)), estimate, price)
    said = f"{form.format(value)} ({form.format(low)} to {form.format(high)})"
    return _figure(name, value, low, high, len(price), goal, said)


def _figure(name: str, value: float, low: float, high: float, count: int, goal: str, said: str) -> Figure:
    needed = NEEDED.get(name, NEEDED["fixes"])
    ends = {"value": round(value, 4), "low": round(low, 4), "high": round(high, 4)}
    return Figure(name=name, count=count, needed=needed, goal=goal, said=said, means=MEANS[name], **ends)


def _coverage(pairs: Sequence[Pair]) -> Figure:
    goal = "80 % of sales in the range"
    if len(pairs) < NEEDED["coverage"]:
        return _too_few("coverage", len(pairs), NEEDED["coverage"], goal)
    inside = np.array([said.low <= sale.price <= said.high for _, sale, said in pairs], dtype=float)
    low, high = bootstrap(lambda a, _: float(a.mean()), inside, inside)
    share = float(inside.mean())
    said = (
        f"{int(inside.sum())} of {len(pairs)} sales ({share:.0%}) fell in the range; {low:.0%} to {high:.0%}"
    )
    return _figure("coverage", share, low, high, len(pairs), goal, said)


def _drift(log_ratio: Floats) -> Figure:
    """Whether newer sales stand higher or lower against their predictions than older ones."""
    goal, needed, count = "no step between the older and the newer half", NEEDED["drift"], len(log_ratio)
    if count < needed:
        return _too_few("drift", count, needed, goal)
    half = count // 2

    def step(older: Floats, newer: Floats) -> float:
        return float(np.median(newer) - np.median(older))

    value = step(log_ratio[:half], log_ratio[-half:])
    low, high = _bootstrap_halves(step, log_ratio[:half], log_ratio[-half:])
    words = f"newer sales stand {np.expm1(value):+.0%} against their predictions beside older ones"
    moved = low > 0 or high < 0
    verdict = "the market has moved" if moved else "no sign that the market has moved"
    return _figure("drift", value, low, high, count, goal, f"{verdict}: {words}")


def _bootstrap_halves(
    figure: Callable[[Floats, Floats], float], older: Floats, newer: Floats
) -> tuple[float, float]:
    """The 90 % interval of a step between two groups, each resampled by itself."""
    rng = np.random.default_rng(SEED)
    size = (RESAMPLES, len(older))
    first, second = older[rng.integers(len(older), size=size)], newer[rng.integers(len(newer), size=size)]
    found = [figure(a, b) for a, b in zip(first, second, strict=True)]
    low, high = np.quantile(found, [0.05, 0.95])
    return float(low), float(high)


def _days(entries: Sequence[MachineEntry]) -> Figure:
    days = np.array([e.days_to_sell for e in entries if e.days_to_sell is not None], dtype=float)
    standing = sum(entry.sale is None and bool(entry.weeks) for entry in entries)
    if len(days) < NEEDED["days"]:
        return _too_few("days", len(days), NEEDED["days"], "none", "machines sold from a listing")
    value = float(np.median(days))
    low, high = bootstrap(lambda a, _: float(np.median(a)), days, days)
    said = f"half were sold within {value:.0f} days ({low:.0f} to {high:.0f}); {standing} still listed"
    return _figure("days", value, low, high, len(days), "none", said)


def _fixes(entries: Sequence[MachineEntry], hour_value: float) -> tuple[Figure, ...]:
    """Promised against realised return, and held against the odds."""
    done = [each for entry in entries for each in entry.fixes]
    told = [
        (each.promised, _realised(each, each.promised, hour_value))
        for each in done
        if each.promised is not None
    ]
    return _return(told), _held(done)


def _return(told: Sequence[tuple[float, float]]) -> Figure:
    name, goal = "return of a fix", "realised as promised"
    if len(told) < NEEDED["fixes"]:
        return _too_few(name, len(told), NEEDED["fixes"], goal, "tries with a promise on record")
    promised, realised = np.array(told, dtype=float).T
    low, high = bootstrap(lambda p, r: float((r - p).mean()), promised, realised)
    said = (
        f"promised {promised.mean():.0f}, realised {realised.mean():.0f} a try, at the gain in price "
        f"expected then; difference {low:+.0f} to {high:+.0f}"
    )
    return _figure(name, float((realised - promised).mean()), low, high, len(told), goal, said)


def _realised(done: FixDone, promised: float, hour_value: float) -> float:
    """Gain as it was expected if the fix held, less parts and hours as written down, else the usual ones.

    A try written down without the gain expected has it in its promise = odds x gain - usual parts - usual hours.
    """
    fix = fix_catalogue()[done.fix]
    usual_parts, usual_hours = parts_cost([fix]), bench_hours([fix])
    gain = done.gain
    if gain is None:
        gain = (promised + usual_parts + hour_value * usual_hours) / max(_odds(done), 0.01)
    parts = usual_parts if done.parts is None else done.parts
    hours = usual_hours if done.hours is None else done.hours
    return gain * done.cured - parts - hour_value * hours


def _odds(done: FixDone) -> float:
    """What was expected that day; the catalogue's for a fault nobody looked into, where that is not on record."""
    return usual_odds(done.fix, done.fault) if done.odds is None else done.odds


def _held(done: Sequence[FixDone]) -> Figure:
    name, goal = "fixes that worked", "as the odds say"
    if len(done) < NEEDED["fixes"]:
        return _too_few(name, len(done), NEEDED["fixes"], goal, "tries")
    held = np.array([each.cured for each in done], dtype=float)
    odds = np.array([_odds(each) for each in done])
    low, high = bootstrap(lambda h, _: float(h.mean()), held, odds)
    expected = f"{odds.mean():.0%} were expected to"
    said = f"{int(held.sum())} of {len(done)} worked ({low:.0%} to {high:.0%}); {expected}"
    return _figure(name, float(held.mean()), low, high, len(done), goal, said)
