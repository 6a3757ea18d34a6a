"""Local correction: a value model bent towards own sales, a little for few of them and more for many.

Bayesian linear regression of the residuals (log sale price - log value) on

    level + levels + season + ageing * age_loss + asks
    - scale * loss - sum over faults f of extra_f * fault_loss_f + dear * worth * loss
    - add * added + add_dear * worth * added

(levels: what a tier, a drive, a look is worth more here; season: a wave over the year; asks: how far asks stand
above sales; added: the losses of the faults on a usual machine, added up, as they may hide less behind each other
here and be no smaller on a cheap machine; worth: log of the sound value beside a usual one, as buyers may take off
sums of money more than shares). A machine that goes
for repair, as it does not run or may not be sold as working, is looked at by other buyers; for it the second
line is

    repair + running - slope * (loss - USUAL_REPAIR_LOSS) + repair_dear * worth

with independent normal priors. The noise is Student's t, so that one absurd sale has little say (Lange,
Little and Taylor 1989, from memory): each sale is weighed by (v + 1) / (v + z^2), z its residual in units of
the noise, and the fit repeated until the weights stand still. A sale far out loses its say altogether; how far out
it is, is judged with its own pull on the fit taken off. Sales lose half their weight in 18 months.

The prior widths come from trials on simulated shifted markets, as does the width of the noise
that the model does not know of.

What is added to a loss may not be taken away from it again, or a fault could add value: where ``add`` comes out below
0 the sales are fitted once more without it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.price_model.own_sales import Z80, Evidence, OwnSale, evidence

PRIOR_SD = {
    "level": 0.2,
    "season": 0.05,
    "ageing": 0.15,
    "scale": 0.5,
    "add": 0.4,
    "fault": 0.3,
    "attribute": 0.07,
    "dear": 0.4,
    "repair": 0.15,
    "slope": 0.3,
    "running": 0.15,
    "repair_dear": 0.3,
    "asks": 0.08,
}
USUAL_REPAIR_LOSS = 1.3
"""Log loss of a machine for repair by the shipped model, on the average: about a quarter of the value is left."""

ASK_OVER_SALE = 0.105
"""Log of first ask over sale price: sales end at .90 of the ask in season (common practice, no source)."""

FREEDOM = 4.0
"""Degrees of freedom of the t noise."""

UNKNOWN_SD = 0.2
"""Noise of the log price in a strange place beyond what the model's interval tells."""

PRIOR_SALES = 8.0
"""Own sales that the model's own noise level counts as, when the noise is measured."""

SPREAD_SALES = 2.0
"""Own sales that the model's interval counts as when intervals are re-scaled: in a strange place, few."""

FIRST_SALES = 10.0
"""The same beside the very first own sale, falling as 1 / n to SPREAD_SALES: one odd sale widens no range by half."""

CHOSEN = 0.25
"""How far the quantile of intervals stands above .8, as a part of it, times the root of own sales.

On 75 simulated shifted markets the 80 % intervals then held 82.8, 81.3, 81.2 and 80.3 % of sales after 10, 20, 50 and
200 own ones; .2 came nearer to 80 and .35 went above 83.
"""

DOUBTED, ABSURD = 3.0, 4.5
"""Residuals, in units of the noise, from which a sale loses its say, and has none and is named."""

MOST_BY_WORTH = 0.9
"""Most that a log unit of sound value may take off a machine for repair: below 1, or a dearer one would bring less."""

SMALLEST, LARGEST = 0.05, 4.0
"""Bounds of what multiplies the model's ageing and its fault losses; never below 0, or a law would break."""


ADDED, ADDED_BY_WORTH = "faults added up", "faults added up by worth"

Moves = Literal["value", "loss", "ageing"]


@dataclass(frozen=True)
class Term:
    """One coefficient: how far it moved and how sure that is. All on the log scale of the price.

    ``of`` what it moves; ``moved`` posterior mean - prior mean; ``sd`` posterior; ``prior_sd``; ``sales`` the
    weight of the sales that bear on it (1 for an own sale of today that shows it fully).
    """

    name: str
    of: Moves
    fault: str | None
    moved: float
    sd: float
    prior_sd: float
    sales: float


@dataclass(frozen=True)
class Odd:
    """A sale that is hardly believable beside the others: a gift, a typo, another machine."""

    id: str
    times: float
    weight: float


@dataclass(frozen=True)
class ForRepair:
    """What the loss of a machine that goes for repair is here, on the log scale, from the model's loss of it:

    loss + more + not_running (0 where it runs) + (slope - 1) * (loss - USUAL_REPAIR_LOSS) + dear * worth, and never
    less than the loss of those of its faults that would leave it for sale as working.
    """

    more: float = 0.0
    not_running: float = 0.0
    slope: float = 1.0
    dear: float = 0.0


@dataclass(frozen=True)
class AddedUp:
    """What is lost here beside the model's loss: (share - dear * worth) times the faults added up, 0 at least."""

    share: float = 0.0
    dear: float = 0.0


@dataclass(frozen=True)
class Correction:
    """What own sales changed. With none of them everything is at rest: factors 1, level 0, spread 1.

    A corrected log value is log sound value + level + ``level_shift`` of each attribute level the machine has
    + (ageing - 1) * age_loss - loss, each fault's part of the loss taken ``fault_factor`` times
    (``other_faults`` times for those not named) and the whole 1 - ``dear`` * worth times, and ``added`` on top; for
    machines that go for repair the loss is that of ``repair``. ``season`` multiplies cosine and sine of the month.
    ``spread`` multiplies the half width of intervals.
    ``before`` and ``after`` are the residuals of own sales by the model, and by a correction that has not
    seen the sale it is judged by; ``judged`` their ids.
    """

    own_sales: int = 0
    comparables: int = 0
    level: float = 0.0
    ageing: float = 1.0
    other_faults: float = 1.0
    fault_factor: tuple[tuple[str, float], ...] = ()
    level_shift: tuple[tuple[tuple[str, str], float], ...] = ()
    season: tuple[float, float] = (0.0, 0.0)
    dear: float = 0.0
    added: AddedUp = AddedUp()
    repair: ForRepair = ForRepair()
    spread: float = 1.0
    terms: tuple[Term, ...] = ()
    odd: tuple[Odd, ...] = ()
    judged: tuple[str, ...] = ()
    before: tuple[float, ...] = ()
    after: tuple[float, ...] = ()

    @property
    def at_rest(self) -> bool:
        """Whether nothing was learnt from, so that nothing is changed."""
        return self.own_sales + self.comparables == 0


NO_CORRECTION = Correction()


def learn(model: ValueModel, sales: Sequence[OwnSale]) -> Correction:
    """Return the correction that the sales call for; `NO_CORRECTION` for none."""
    if not sales:
        return NO_CORRECTION
    return correction_of(evidence(model, sales))


def correction_of(known: Evidence) -> Correction:
    """Return the correction that the evidence calls for."""
    design = _design(known)
    fit = _fit(design, known)
    found = dict(zip(design.names, fit.mean.tolist(), strict=True))
    if found[ADDED] < 0:
        design = design.without({ADDED, ADDED_BY_WORTH})
        fit = _fit(design, known)
        found = dict.fromkeys((ADDED, ADDED_BY_WORTH), 0.0) | dict(
            zip(design.names, fit.mean.tolist(), strict=True)
        )
    own = (known.is_ask == 0) & (known.weight > 0)
    width = np.where(fit.left_out < 0, known.below, known.above)
    spread = _spread((np.abs(fit.left_out) / width)[own], known.weight[own])
    return Correction(
        own_sales=int(own.sum()),
        comparables=len(known) - int(own.sum()),
        level=found["level"],
        ageing=_within(1.0 + found["ageing"]),
        other_faults=_within(1.0 + found["fault losses"]),
        fault_factor=tuple(
            (fault, _within(1.0 + found["fault losses"] + found[fault])) for fault in known.faults
        ),
        level_shift=tuple((level, found[" ".join(level)]) for level in known.levels),
        season=(found["season, winter over summer"], found["season, spring over autumn"]),
        dear=max(found["fault losses, dear machines"], 0.0),
        added=AddedUp(found[ADDED], found[ADDED_BY_WORTH]),
        repair=ForRepair(
            more=-found["for repair"],
            not_running=max(-found["not running"], 0.0),
            slope=_within(1.0 + found["for repair, much wrong"]),
            dear=min(-found["for repair, dear machines"], MOST_BY_WORTH),
        ),
        spread=spread,
        terms=_terms(design, known, fit),
        odd=_odd(known, fit),
        judged=tuple(np.array(known.ids)[own].tolist()),
        before=tuple(known.residual[own].tolist()),
        after=tuple(fit.left_out[own].tolist()),
    )


def _within(factor: float) -> float:
    return float(min(max(factor, SMALLEST), LARGEST))


@dataclass(frozen=True)
class _Design:
    """Columns X of shape (n, k), the name of each and what it moves, prior means and sds of shape (k,)."""

    names: tuple[str, ...]
    of: tuple[Moves, ...]
    X: FloatArray
    prior: FloatArray
    prior_sd: FloatArray

    def without(self, names: set[str]) -> "_Design":
        """The same without these columns."""
        kept = [place for place, name in enumerate(self.names) if name not in names]
        return _Design(
            tuple(self.names[place] for place in kept),
            tuple(self.of[place] for place in kept),
            self.X[:, kept],
            self.prior[kept],
            self.prior_sd[kept],
        )


@dataclass(frozen=True)
class _Fit:
    """Posterior mean (k,) and covariance (k, k), t weights (n,), standardised and left-out residuals (n,)."""

    mean: FloatArray
    covariance: FloatArray
    trust: FloatArray
    standard: FloatArray
    left_out: FloatArray


def _design(known: Evidence) -> _Design:
    works = 1.0 - known.repair
    shown, faults = known.shown.T, (known.fault_loss * works[:, None]).T
    columns: list[tuple[str, Moves, str, FloatArray]] = [
        ("level", "value", "level", np.ones(len(known))),
        ("ageing", "ageing", "ageing", known.age_loss),
        ("fault losses", "loss", "scale", -known.loss * works),
        *[(fault, "loss", "fault", -lost) for fault, lost in zip(known.faults, faults, strict=True)],
        *[
            (" ".join(level), "value", "attribute", has)
            for level, has in zip(known.levels, shown, strict=True)
        ],
        ("season, winter over summer", "value", "season", known.season[:, 0]),
        ("season, spring over autumn", "value", "season", known.season[:, 1]),
        ("fault losses, dear machines", "loss", "dear", known.loss * known.dear * works),
        (ADDED, "loss", "add", -known.added * works),
        (ADDED_BY_WORTH, "loss", "dear", known.added * known.dear * works),
        ("for repair", "value", "repair", known.repair),
        ("for repair, much wrong", "loss", "slope", -known.repair * (known.loss - USUAL_REPAIR_LOSS)),
        ("for repair, dear machines", "loss", "repair_dear", known.repair * known.dear),
        ("not running", "value", "running", known.dead),
        ("asks over sales", "value", "asks", known.is_ask),
    ]
    names, of, widths, X = zip(*columns, strict=True)
    prior = np.zeros(len(names))
    prior[-1] = ASK_OVER_SALE
    return _Design(names, of, np.column_stack(X), prior, np.array([PRIOR_SD[name] for name in widths]))


def _fit(design: _Design, known: Evidence) -> _Fit:
    """Weighted ridge regression, its weights those of the t distribution; to a standstill."""
    variance = known.sd**2 + UNKNOWN_SD**2
    offset = known.residual - design.X @ design.prior
    trust, noise = np.ones(len(known)), 1.0
    change: FloatArray = np.zeros(len(design.prior))
    covariance: FloatArray = np.diag(design.prior_sd**2)
    for _ in range(100):
        precision = known.weight * trust / (noise * variance)
        inner = (design.X.T * precision) @ design.X + np.diag(design.prior_sd**-2)
        covariance = np.asarray(np.linalg.inv(inner))
        before, change = change, np.asarray(covariance @ (design.X.T @ (precision * offset)))
        squared = (offset - design.X @ change) ** 2 / variance
        believed = _believed(np.sqrt(squared / noise / (1.0 - _leverage(design, covariance, precision))))
        trust = (FREEDOM + 1) / (FREEDOM + squared / noise) * believed
        sales = PRIOR_SALES + (known.weight * believed).sum()
        noise = (PRIOR_SALES + float(known.weight @ (trust * squared))) / sales
        if np.abs(change - before).max() < 1e-10:
            break
    precision = known.weight * trust / (noise * variance)
    residual = offset - design.X @ change
    # What the prior says of asks is no error of the model, so a left-out residual is held against it all.
    left_out = residual / (1.0 - _leverage(design, covariance, precision))
    return _Fit(design.prior + change, covariance, trust, residual / np.sqrt(noise * variance), left_out)


def _leverage(design: _Design, covariance: FloatArray, precision: FloatArray) -> FloatArray:
    """How far each sale pulls the fit towards itself, shape (n,), from 0 (not at all) to .99."""
    pull: FloatArray = precision * np.einsum("ij,jk,ik->i", design.X, covariance, design.X)
    return np.minimum(pull, 0.99)


def _believed(size: FloatArray) -> FloatArray:
    """Share of its say that a sale keeps: all up to DOUBTED standard deviations, none from ABSURD on."""
    return np.clip((ABSURD - size) / (ABSURD - DOUBTED), 0.0, 1.0)


def _spread(size: FloatArray, weight: FloatArray) -> float:
    """Factor on the half width of intervals so that they hold 80 % of sales, judged as if unseen.

    ``size``: left-out residuals over the half width of the model's interval. The model's own spread counts as
    SPREAD_SALES sales, and as more beside the first few; the factor is a weighted quantile of both together, so one
    absurd sale counts as one.
    The quantile stands above .8, as the sales have chosen the many terms they are judged by: .8 (1 + CHOSEN / root n),
    where split conformal prediction would have .8 (1 + 1 / n). It is reached by and by: a first sale that agrees must
    not widen what it confirms.

    >>> round(_spread(np.zeros(0), np.zeros(0)), 3)
    1.0
    """
    points = 200
    prior = [NormalDist().inv_cdf(0.5 + (i + 0.5) / (2 * points)) / Z80 for i in range(points)]
    every = np.concatenate([prior, size])
    own = max(SPREAD_SALES, FIRST_SALES / max(float(weight.sum()), 1.0))
    weights = np.concatenate([np.full(points, own / points), weight])
    order = np.argsort(every)
    share = (np.cumsum(weights[order]) - weights[order] / 2) / weights.sum()
    n = len(size)
    extra = min(1.0, (n - 1) / 9) * CHOSEN / np.sqrt(n) if n else 0.0
    return float(np.interp(0.8 * (1.0 + extra), share, every[order]))


def _terms(design: _Design, known: Evidence, fit: _Fit) -> tuple[Term, ...]:
    shown = np.abs(design.X) / np.maximum(np.abs(design.X).max(axis=0), 1e-9)
    sales = (known.weight * fit.trust.clip(max=1.0)) @ shown
    terms = [
        Term(
            name=name,
            of=design.of[k],
            fault=name if name in known.faults else None,
            moved=float(fit.mean[k] - design.prior[k]),
            sd=float(np.sqrt(fit.covariance[k, k])),
            prior_sd=float(design.prior_sd[k]),
            sales=float(sales[k]),
        )
        for k, name in enumerate(design.names)
    ]
    return tuple(term for term in terms if term.sales > 0 or term.name == "level")


def _odd(known: Evidence, fit: _Fit) -> tuple[Odd, ...]:
    """Sales whose residual, with the rest of the sales believed, is hardly believable; the oddest first."""
    found = [
        Odd(known.ids[i], float(np.exp(fit.left_out[i])), float(min(fit.trust[i], 1.0)))
        for i in np.argsort(-np.abs(fit.standard))
        if abs(fit.standard[i]) >= ABSURD
    ]
    return tuple(found)
