"""Local correction: a value model bent towards own sales, a little for few of them and more for many.

Bayesian linear regression of the residuals (log sale price - log value) on the terms of `place_terms`. The prior is
what a population of invented markets teaches (`place_prior`): how far each term moves from place to place, and which
move together, so that what is seen of one kind of machine says something of its neighbours and little of the rest.
What no term explains is noise of its own, larger for wrecks.

The noise is Student's t, so that one absurd sale has little say (Lange, Little and Taylor 1989, from memory): each
sale is weighed by (v + 1) / (v + z^2), 1 at most, z its residual in units of the noise, and the fit repeated until
the weights stand still. It begins from what the prior expects, so that several absurd sales do not speak for each
other. A sale far out loses its say altogether; how far out it is, is judged with its own pull on the fit taken off.
Sales lose half their weight in 18 months.

Prices in another money show themselves before that: where sales agree with each other and stand further off than
places do, the common factor is taken off first, and named.

What is added to a loss may not be taken away from it again, or a fault could add value: where ``add`` comes out below
0 the sales are fitted once more without it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.domain.faults import fault_catalogue
from valuer.price_model.own_sales import Z80, Evidence, Memory, OwnSale, evidence
from valuer.price_model.place_prior import PlacePrior, place_prior
from valuer.price_model.place_terms import (
    ADDED,
    ADDED_BY_WORTH,
    ATTRIBUTE_LEVELS,
    OF_REPAIR,
    Seen,
    terms,
)

ASKS = "asks over sales"
ASK_OVER_SALE, ASKS_SD = 0.105, 0.08
"""Log of first ask over sale price: sales end at .90 of the ask in season (common practice, no source); and its sd
between places (judgement)."""

FREEDOM = 4.0
"""Degrees of freedom of the t noise."""

PRIOR_SALES = 8.0
"""Own sales that the model's own noise level counts as, when the noise is measured."""

DOUBTED, ABSURD = 3.0, 4.5
"""Residuals, in units of the noise, from which a sale loses its say, and has none and is named."""

MOST_BY_WORTH = 0.9
"""Most that a log unit of sound value may take off a machine for repair: below 1, or a dearer one would bring less."""

SMALLEST, LARGEST = 0.05, 4.0
"""Bounds of what multiplies the model's ageing and its fault losses; never below 0, or a law would break."""

MONEY_FROM_SALES, MONEY_FROM_SD, MONEY_AGREES = 3, 4.0, 2 / 3
"""Another money is named from so many sales on, where their middle stands so many sds of a place off, and so large a
share of them stands nearer to that middle than to the model."""

AGE_ENDS = (-0.85, 0.7)
"""Log value of a very old and of a new machine beside that at six years (common practice, no source): what an age that
nobody told may come to."""

KIND_WIDTHS = (0.6, 0.7, 0.25)
"""How alike machines are whose misses speak for each other: loss, worth (logs), and whether both go for repair."""

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
class Doubt:
    """What is not known of the place yet, and how far own sales were off; with no sales, what the prior says.

    covariance: of the terms, shape (n_terms, n_terms). kinds: (n, 3), loss, worth and repair of each own sale; miss:
    its squared miss, judged by the others, in units of the variance expected, no more than DOUBTED where the sale is
    not believed; weight: of each, shape (n,).
    """

    prior: PlacePrior
    covariance: FloatArray
    kinds: FloatArray
    miss: FloatArray
    weight: FloatArray

    @classmethod
    def at_first(cls, prior: PlacePrior) -> "Doubt":
        """Before the first sale."""
        return cls(prior, prior.covariance, np.zeros((0, 3)), np.zeros(0), np.zeros(0))

    def of_place(self, seen: Seen, columns: FloatArray) -> FloatArray:
        """Variance of the log value that comes from not knowing the place, shape (n,)."""
        guessed = widest(columns, self.covariance)
        known = ((guessed @ self.covariance) * guessed).sum(axis=1)
        return np.asarray(np.maximum(known, 0.0) + self.prior.misfit(seen))

    def factor(self, seen: Seen) -> FloatArray:
        """What the width is multiplied by, as own sales of such machines were off more or less than was expected."""
        asked, own = kinds_of(seen) / KIND_WIDTHS, self.kinds / KIND_WIDTHS
        parts = [self._factor(asked[start : start + AT_ONCE], own) for start in range(0, len(asked), AT_ONCE)]
        return np.concatenate([np.zeros(0), *parts])

    def _factor(self, asked: FloatArray, own: FloatArray) -> FloatArray:
        """The same of kinds of shape (m, 3), beside those of own sales (n, 3), both in units of KIND_WIDTHS."""
        apart = (asked**2).sum(axis=1)[:, None] + (own**2).sum(axis=1) - 2 * asked @ own.T
        alike = np.exp(-0.5 * np.maximum(apart, 0.0)) * self.weight
        return np.asarray(np.sqrt((PRIOR_SALES + alike @ self.miss) / (PRIOR_SALES + alike.sum(axis=1))))


AT_ONCE = 1024
"""Machines set beside all own sales at once: of ten thousand beside ten thousand the table would fill the memory."""


def widest(columns: FloatArray, covariance: FloatArray) -> FloatArray:
    """The columns with what a machine does not say set to what leaves most doubt, so that a blank narrows no range."""
    filled, rows = columns.copy(), np.arange(len(columns))
    for places in (list(block) for block in said_by_level()):
        blank = ~filled[:, places].any(axis=1)
        across = filled @ covariance
        gain = 2 * across[:, places] + np.diag(covariance)[places]
        best = np.array(places)[gain.argmax(axis=1)]
        filled[rows[blank], best[blank]] = 1.0
    age = terms().index("ageing")
    blank = filled[:, age] == 0.0
    ends = (
        2 * (filled @ covariance)[:, [age]] * np.array(AGE_ENDS)
        + covariance[age, age] * np.array(AGE_ENDS) ** 2
    )
    filled[blank, age] = np.array(AGE_ENDS)[ends.argmax(axis=1)][blank]
    return filled


def said_by_level() -> tuple[tuple[int, ...], ...]:
    """Places among the terms of the levels of each attribute."""
    names = dict.fromkeys(name for name, _ in ATTRIBUTE_LEVELS)
    return tuple(
        tuple(terms().index(" ".join(level)) for level in ATTRIBUTE_LEVELS if level[0] == name)
        for name in names
    )


def kinds_of(seen: Seen) -> FloatArray:
    """Loss, worth and repair of machines, shape (n, 3)."""
    return np.column_stack([seen.loss, seen.worth, seen.repair])


@dataclass(frozen=True)
class Correction:
    """What own sales changed. With none of them everything is at rest: factors 1, level 0.

    A corrected log value is log sound value + level + ``level_shift`` of each attribute level the machine has
    + (ageing - 1) * age_loss - loss, each fault's part of the loss taken ``fault_factor`` times
    (``other_faults`` times for those not named) and the whole 1 - ``dear`` * worth times, and ``added`` on top; for
    machines that go for repair the loss is that of ``repair``. ``season`` multiplies cosine and sine of the month.
    ``money``: how many times as high own prices stand as any place would explain, 1 where they do not; it is in
    ``level``. ``doubt``: what widens ranges; None is that before the first sale. ``width`` is that of ranges of
    machines like the own ones, beside what it was before the first sale.
    ``before`` and ``after`` are the residuals of own sales by the model, and by a correction that has not
    seen the sale it is judged by; ``judged`` their ids; ``held`` whether the range so made held them.
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
    money: float = 1.0
    doubt: Doubt | None = field(default=None, compare=False)
    width: float = 1.0
    terms: tuple[Term, ...] = ()
    odd: tuple[Odd, ...] = ()
    judged: tuple[str, ...] = ()
    before: tuple[float, ...] = ()
    after: tuple[float, ...] = ()
    held: tuple[bool, ...] = ()
    for_repair: int = 0

    @property
    def at_rest(self) -> bool:
        """Whether nothing was learnt from, so that nothing is changed."""
        return self.own_sales + self.comparables == 0


NO_CORRECTION = Correction()


def learn(model: ValueModel, sales: Sequence[OwnSale], memory: Memory | None = None) -> Correction:
    """Return the correction that the sales call for; `NO_CORRECTION` for none. ``memory``: as for `evidence`."""
    if not sales:
        return NO_CORRECTION
    return correction_of(evidence(model, sales, memory), place_prior().after(model.basis.own_sales))


def correction_of(known: Evidence, prior: PlacePrior) -> Correction:
    """Return the correction that the evidence calls for."""
    design = _design(known, prior)
    fit = _fit(design, known, prior)
    if dict(zip(design.names, fit.mean, strict=True))[ADDED] < 0:
        design = design.without({ADDED, ADDED_BY_WORTH})
        fit = _fit(design, known, prior)
    found = dict.fromkeys(terms(), 0.0) | dict(zip(design.names, fit.mean.tolist(), strict=True))
    own = (known.is_ask == 0) & (known.weight > 0)
    doubt = _doubt(design, known, prior, fit, own)
    factor = doubt.factor(known.seen)
    scale = found["fault losses"]
    unseen = [found[fault] for fault in fault_catalogue() if fault not in known.faults]
    return Correction(
        own_sales=int(own.sum()),
        comparables=len(known) - int(own.sum()),
        level=found["level"] + fit.money,
        ageing=_within(1.0 + found["ageing"]),
        other_faults=_within(1.0 + scale + float(np.mean(unseen))),
        fault_factor=tuple((fault, _within(1.0 + scale + found[fault])) for fault in known.faults),
        level_shift=tuple((level, found[" ".join(level)]) for level in ATTRIBUTE_LEVELS),
        season=(found["season, winter over summer"], found["season, spring over autumn"]),
        dear=max(found["fault losses, dear machines"], 0.0),
        added=AddedUp(found[ADDED], found[ADDED_BY_WORTH]),
        repair=_for_repair(found),
        money=float(np.exp(fit.money)),
        doubt=doubt,
        width=_width(known, prior, doubt, factor),
        terms=_terms(design, known, fit),
        odd=_odd(known, fit),
        judged=tuple(np.array(known.ids)[own].tolist()),
        before=tuple(known.residual[own].tolist()),
        after=tuple(fit.left_out[own].tolist()),
        held=tuple((doubt.miss <= (Z80 * factor[own]) ** 2).tolist()),
        for_repair=int(known.seen.repair[own].sum()),
    )


def _for_repair(found: dict[str, float]) -> ForRepair:
    more, slope, dear, not_running = (found[name] for name in OF_REPAIR)
    return ForRepair(-more, max(-not_running, 0.0), _within(1.0 + slope), min(-dear, MOST_BY_WORTH))


def _within(factor: float) -> float:
    return float(min(max(factor, SMALLEST), LARGEST))


@dataclass(frozen=True)
class _Design:
    """Columns X of shape (n, k), the name of each, prior means of shape (k,), prior covariance (k, k)."""

    names: tuple[str, ...]
    X: FloatArray
    prior: FloatArray
    covariance: FloatArray

    def without(self, names: set[str]) -> "_Design":
        """The same without these columns."""
        kept = [place for place, name in enumerate(self.names) if name not in names]
        return _Design(
            tuple(self.names[place] for place in kept),
            self.X[:, kept],
            self.prior[kept],
            self.covariance[np.ix_(kept, kept)],
        )


@dataclass(frozen=True)
class _Fit:
    """Posterior mean (k,) and covariance (k, k), t weights (n,), standardised and left-out residuals (n,).

    money: log of the common factor taken off first. pull: how far each sale pulls the fit to itself, (n,), 0 to .99.
    """

    mean: FloatArray
    covariance: FloatArray
    trust: FloatArray
    standard: FloatArray
    left_out: FloatArray
    money: float
    pull: FloatArray


def _design(known: Evidence, prior: PlacePrior) -> _Design:
    n = len(terms())
    covariance = np.zeros((n + 1, n + 1))
    covariance[:n, :n] = prior.covariance
    covariance[n, n] = ASKS_SD**2
    return _Design(
        (*terms(), ASKS),
        np.column_stack([known.columns, known.is_ask]),
        np.append(np.zeros(n), ASK_OVER_SALE),
        covariance,
    )


def _fit(design: _Design, known: Evidence, prior: PlacePrior) -> _Fit:
    """Weighted regression under the prior, its weights those of the t distribution; to a standstill."""
    variance = known.sd**2 + prior.misfit(known.seen)
    offset = known.residual - design.X @ design.prior
    expected = ((design.X @ design.covariance) * design.X).sum(axis=1) + variance
    money = _money(offset, design, variance, known.weight)
    offset = offset - money
    first = offset**2 / expected
    trust = np.minimum((FREEDOM + 1) / (FREEDOM + first), 1.0) * _believed(np.sqrt(first))
    noise = 1.0
    change: FloatArray = np.zeros(len(design.prior))
    covariance = design.covariance
    for _ in range(100):
        precision = known.weight * trust / (noise * variance)
        covariance = _posterior(design, precision)
        before, change = change, np.asarray(covariance @ (design.X.T @ (precision * offset)))
        squared = (offset - design.X @ change) ** 2 / variance
        believed = _believed(np.sqrt(squared / noise / (1.0 - _leverage(design, covariance, precision))))
        trust = np.minimum((FREEDOM + 1) / (FREEDOM + squared / noise), 1.0) * believed
        sales = PRIOR_SALES + (known.weight * believed).sum()
        noise = (PRIOR_SALES + float(known.weight @ (trust * squared))) / sales
        if np.abs(change - before).max() < 1e-9:
            break
    precision = known.weight * trust / (noise * variance)
    residual = offset - design.X @ change
    pull = _leverage(design, covariance, precision)
    # What the prior says of asks is no error of the model, so a left-out residual is held against it all.
    left_out = residual / (1.0 - pull)
    standard = residual / np.sqrt(noise * variance)
    return _Fit(design.prior + change, covariance, trust, standard, left_out, money, pull)


def _posterior(design: _Design, precision: FloatArray) -> FloatArray:
    """Covariance of the terms after the sales, (k, k), by whichever of sales and terms are fewer."""
    X, prior = design.X, design.covariance
    if len(X) < len(prior):
        across = prior @ X.T
        some = precision > 0
        across, p = across[:, some], precision[some]
        inner = X[some] @ across + np.diag(1.0 / p)
        return np.asarray(prior - across @ np.linalg.solve(inner, across.T))
    seen = X.T @ (precision[:, None] * X)
    return np.asarray(np.linalg.solve(np.eye(len(prior)) + prior @ seen, prior))


def _money(offset: FloatArray, design: _Design, variance: FloatArray, weight: FloatArray) -> float:
    """Log of the factor by which all prices stand off together, where no place explains it; 0 where one does."""
    if (weight > 0).sum() < MONEY_FROM_SALES:
        return 0.0
    order = np.argsort(offset)
    share = np.cumsum(weight[order]) / weight.sum()
    middle = float(offset[order][np.searchsorted(share, 0.5)])
    share_of = weight / weight.sum()
    common = share_of @ design.X
    sd = np.sqrt(common @ design.covariance @ common + share_of**2 @ variance)
    agree = float(weight[np.abs(offset - middle) < np.abs(offset)].sum() / weight.sum())
    far = abs(middle) > MONEY_FROM_SD * sd
    return middle if far and agree > MONEY_AGREES else 0.0


def _leverage(design: _Design, covariance: FloatArray, precision: FloatArray) -> FloatArray:
    """How far each sale pulls the fit towards itself, shape (n,), from 0 (not at all) to .99."""
    pull: FloatArray = precision * ((design.X @ covariance) * design.X).sum(axis=1)
    return np.clip(pull, 0.0, 0.99)


def _believed(size: FloatArray) -> FloatArray:
    """Share of its say that a sale keeps: all up to DOUBTED standard deviations, none from ABSURD on."""
    return np.clip((ABSURD - size) / (ABSURD - DOUBTED), 0.0, 1.0)


def _doubt(design: _Design, known: Evidence, prior: PlacePrior, fit: _Fit, own: FloatArray) -> Doubt:
    """What is left of the prior's doubt; terms that were left out of the fit keep theirs."""
    n = len(terms())
    covariance = prior.covariance.copy()
    kept = [terms().index(name) for name in design.names if name != ASKS]
    covariance[np.ix_(kept, kept)] = fit.covariance[: len(kept), : len(kept)]
    gone = [place for place in range(n) if place not in kept]
    covariance[np.ix_(gone, kept)] = 0.0
    covariance[np.ix_(kept, gone)] = 0.0
    found = Doubt(prior, covariance, kinds_of(known.seen)[own], np.zeros(int(own.sum())), known.weight[own])
    miss = fit.left_out**2 / (known.sd**2 + found.of_place(known.seen, known.columns) / (1.0 - fit.pull))
    return replace(found, miss=np.where(fit.trust > 0, miss, np.minimum(miss, DOUBTED))[own])


def _width(known: Evidence, prior: PlacePrior, doubt: Doubt, factor: FloatArray) -> float:
    """Width of the ranges of machines like the own ones beside that before the first sale: the mean over them.

    ``factor``: what ``doubt`` says of them, shape (n,).
    """
    before = known.sd**2 + Doubt.at_first(prior).of_place(known.seen, known.columns)
    now = factor**2 * (known.sd**2 + doubt.of_place(known.seen, known.columns))
    return float(np.mean(np.sqrt(now / before)))


def _terms(design: _Design, known: Evidence, fit: _Fit) -> tuple[Term, ...]:
    shown = np.abs(design.X) / np.maximum(np.abs(design.X).max(axis=0), 1e-9)
    sales = (known.weight * fit.trust.clip(max=1.0)) @ shown
    found = [
        Term(
            name=name,
            of=_moves(name),
            fault=name if name in fault_catalogue() else None,
            moved=float(fit.mean[k] - design.prior[k]),
            sd=float(np.sqrt(max(fit.covariance[k, k], 0.0))),
            prior_sd=float(np.sqrt(max(design.covariance[k, k], 1e-12))),
            sales=float(sales[k]),
        )
        for k, name in enumerate(design.names)
    ]
    return tuple(term for term in found if term.sales > 0 or term.name == "level")


def _moves(name: str) -> Moves:
    """What a term moves: the value, the loss of faults, or the ageing."""
    if name == "ageing":
        return "ageing"
    loss = name in fault_catalogue() or name.startswith("fault") or name.endswith("much wrong")
    return "loss" if loss else "value"


def _odd(known: Evidence, fit: _Fit) -> tuple[Odd, ...]:
    """Sales whose residual, with the rest of the sales believed, is hardly believable; the oddest first."""
    found = [
        Odd(known.ids[i], float(np.exp(fit.left_out[i])), float(min(fit.trust[i], 1.0)))
        for i in np.argsort(-np.abs(fit.standard))
        if abs(fit.standard[i]) >= ABSURD
    ]
    return tuple(found)
