"""Local correction: a value model bent towards own sales, a little for few of them and more for many.

Bayesian linear regression of the residuals (log sale price - log value) on the terms of `place_terms`. The prior is
what a population of invented markets teaches (`place_prior`): how far each term moves from place to place, and which
move together, so that what is seen of one kind of machine says something of its neighbours and little of the rest.
What no term explains is noise of its own, larger for wrecks.

How far each sale is believed, and how prices in another money show themselves, is in `place_fit`. Sales lose half their
weight in 18 months.

What is added to a loss may not be taken away from it again, or a fault could add value: where ``add`` comes out below
0 the sales are fitted once more without it.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray, ValueModel
from valuer.domain.faults import fault_catalogue
from valuer.price_model.alike import Alike
from valuer.price_model.own_sales import Z80, Evidence, OwnSale, evidence
from valuer.price_model.place_fit import (
    ABSURD,
    DOUBTED,
    PRIOR_SALES,
    Design,
    Fit,
    fitted,
    laid_out,
    posterior,
)
from valuer.price_model.place_prior import PlacePrior, place_prior
from valuer.price_model.place_terms import (
    ADDED,
    ADDED_BY_WORTH,
    ATTRIBUTE_LEVELS,
    OF_REPAIR,
    OF_THE_MACHINE,
    Seen,
    terms,
)

MOST_BY_WORTH = 0.9
"""Most that a log unit of sound value may take off a machine for repair: below 1, or a dearer one would bring less."""

SMALLEST, LARGEST = 0.05, 4.0
"""Bounds of what multiplies the model's ageing and its fault losses; never below 0, or a law would break."""

AGE_ENDS = (-0.85, 0.7)
"""Log value of a very old and of a new machine beside that at six years (common practice, no source): what an age that
nobody told may come to."""

AGEING = OF_THE_MACHINE.index("ageing")
"""Its place among the terms, which begin with those of the machine."""

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
        off, said = self._alike.sums(kinds_of(seen) / KIND_WIDTHS).T
        return np.asarray(np.sqrt((PRIOR_SALES + off) / (PRIOR_SALES + said)))

    @cached_property
    def _alike(self) -> Alike:
        """Own sales by how alike others are to them, each with its weighted miss and its weight."""
        return Alike(self.kinds / KIND_WIDTHS, np.column_stack([self.weight * self.miss, self.weight]))


def widest(columns: FloatArray, covariance: FloatArray) -> FloatArray:
    """The columns with what a machine does not say set to what leaves most doubt, so that a blank narrows no range."""
    filled = columns.copy()
    for places in said_by_level():
        (blank,) = np.nonzero(~filled[:, places].any(axis=1))
        if len(blank):
            gain = 2 * filled[blank] @ covariance[:, places] + covariance[places, places]
            filled[blank, places[gain.argmax(axis=1)]] = 1.0
    (blank,) = np.nonzero(filled[:, AGEING] == 0.0)
    if len(blank):
        across, ends = filled[blank] @ covariance[:, [AGEING]], np.array(AGE_ENDS)
        gain = 2 * across * ends + covariance[AGEING, AGEING] * ends**2
        filled[blank, AGEING] = ends[gain.argmax(axis=1)]
    return filled


@cache
def said_by_level() -> tuple[NDArray[np.intp], ...]:
    """Places among the terms of the levels of each attribute."""
    names = dict.fromkeys(name for name, _ in ATTRIBUTE_LEVELS)
    return tuple(
        np.array([terms().index(" ".join(level)) for level in ATTRIBUTE_LEVELS if level[0] == name])
        for name in names
    )


def kinds_of(seen: Seen) -> FloatArray:
    """Loss, worth and repair of machines, shape (n, 3)."""
    return np.array([seen.loss, seen.worth, seen.repair]).T


@dataclass(frozen=True)
class Correction:
    """What own sales changed. With none of them everything is at rest: factors 1, level 0.

    A corrected log value is log sound value + level + ``level_shift`` of each attribute level the machine has
    + (ageing - 1) * age_loss - loss, each fault's part of the loss taken ``fault_factor`` times
    (``other_faults`` times for those not named) and the whole 1 - ``dear`` * worth times, and ``added`` on top; for
    machines that go for repair the loss is that of ``repair``. ``season`` multiplies cosine and sine of the month.
    ``money``: how many times as high own prices stand as any place would explain, 1 where they do not; it is in
    ``level``. ``doubt``: what widens ranges; None is that before the first sale. ``known``: what was learnt from.
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
    known: Evidence | None = field(default=None, compare=False, repr=False)
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

    @cached_property
    def width(self) -> float:
        """Width of the ranges of machines like the own ones, beside what it was before the first sale: the mean."""
        if self.known is None or self.doubt is None:
            return 1.0
        seen, columns, variance = self.known.seen, self.known.columns, self.known.sd**2
        before = variance + Doubt.at_first(self.doubt.prior).of_place(seen, columns)
        now = self.doubt.factor(seen) ** 2 * (variance + self.doubt.of_place(seen, columns))
        return float(np.mean(np.sqrt(now / before)))


NO_CORRECTION = Correction()


def learn(model: ValueModel, sales: Sequence[OwnSale]) -> Correction:
    """Return the correction that the sales call for; `NO_CORRECTION` for none."""
    return Learnt(model, evidence(model, sales)).correction if sales else NO_CORRECTION


@dataclass(frozen=True)
class Learnt:
    """What the sales in some records say of a model on a day, kept to be brought up to date by what changes.

    records: the objects that the sales were read from by their ids as such, in the order of the evidence; one that
    changed is another. day: as an ordinal.
    """

    model: ValueModel
    evidence: Evidence
    records: Mapping[int, object] = field(default_factory=dict)
    day: int = 0

    @cached_property
    def correction(self) -> Correction:
        """What they call for."""
        return correction_of(self.evidence, place_prior().after(self.model.basis.own_sales))

    def after(
        self, records: Mapping[int, Any], day: int, sales: Callable[[Iterable[Any]], Sequence[OwnSale]]
    ) -> "Learnt":
        """What these records say on this day; the model is asked about the sales of those that are new."""
        gone, new = self.records.keys() - records.keys(), records.keys() - self.records.keys()
        if not gone and not new and day == self.day:
            return self
        found = self.evidence.later(day - self.day)
        if gone:
            found = found.only([place for place, key in enumerate(self.records) if key not in gone])
        kept = {key: record for key, record in self.records.items() if key not in gone}
        more = {key: record for key, record in records.items() if key in new}
        if more:
            found = found.and_also(evidence(self.model, sales(more.values()), self.evidence.usual))
        return Learnt(self.model, found, {**kept, **more}, day)


def correction_of(known: Evidence, prior: PlacePrior) -> Correction:
    """Return the correction that the evidence calls for."""
    design = whole = laid_out(known, prior)
    fit = fitted(design, known, prior, never_below_none=ADDED)
    if fit is None:
        design = design.without({ADDED, ADDED_BY_WORTH})
        fit = fitted(design, known, prior)
    assert fit  # noqa: S101 - nothing may be below 0 any more
    found = dict.fromkeys(terms(), 0.0) | dict(zip(design.names, fit.mean.tolist(), strict=True))
    own = (known.is_ask == 0) & (known.weight > 0)
    doubt = _doubt(whole, known, prior, fit, own)
    factor = doubt.factor(known.seen)[own]
    scale = found["fault losses"]
    shown = _faults_shown(known, fit)
    unseen = [found[fault] for fault in fault_catalogue() if fault not in shown]
    return Correction(
        own_sales=int(own.sum()),
        comparables=len(known) - int(own.sum()),
        level=found["level"] + fit.money,
        ageing=_within(1.0 + found["ageing"]),
        other_faults=_within(1.0 + scale + float(np.mean(unseen))),
        fault_factor=tuple((fault, _within(1.0 + scale + found[fault])) for fault in shown),
        level_shift=tuple((level, found[" ".join(level)]) for level in ATTRIBUTE_LEVELS),
        season=(found["season, winter over summer"], found["season, spring over autumn"]),
        dear=max(found["fault losses, dear machines"], 0.0),
        added=AddedUp(found[ADDED], found[ADDED_BY_WORTH]),
        repair=_for_repair(found),
        money=float(np.exp(fit.money)),
        doubt=doubt,
        known=known,
        terms=_terms(design, known, fit),
        odd=_odd(known, fit),
        judged=tuple(np.array(known.ids)[own].tolist()),
        before=tuple(known.residual[own].tolist()),
        after=tuple(fit.left_out[own].tolist()),
        held=tuple((doubt.miss <= (Z80 * factor) ** 2).tolist()),
        for_repair=int(known.seen.repair[own].sum()),
    )


def _for_repair(found: dict[str, float]) -> ForRepair:
    more, slope, dear, not_running = (found[name] for name in OF_REPAIR)
    return ForRepair(-more, max(-not_running, 0.0), _within(1.0 + slope), min(-dear, MOST_BY_WORTH))


def _within(factor: float) -> float:
    return float(min(max(factor, SMALLEST), LARGEST))


def _faults_shown(known: Evidence, fit: Fit) -> tuple[str, ...]:
    """The faults on sales that are believed at all; what only a disbelieved one shows is as if nobody had seen it."""
    has_say = known.weight * fit.trust > 0
    shown = has_say @ known.seen.levels > 0
    return tuple(fault for fault, there in zip(fault_catalogue(), shown, strict=True) if there)


def _doubt(design: Design, known: Evidence, prior: PlacePrior, fit: Fit, own: FloatArray) -> Doubt:
    """What is left of the prior's doubt; sales tell as much of a term that may not go below 0 and is left out for it.

    design: of all terms.
    """
    n = len(terms())
    covariance = posterior(design, fit.precision)[:n, :n]
    found = Doubt(prior, covariance, kinds_of(known.seen)[own], np.zeros(int(own.sum())), known.weight[own])
    miss = fit.left_out**2 / (known.sd**2 + found.of_place(known.seen, known.columns) / (1.0 - fit.pull))
    return replace(found, miss=np.where(fit.trust > 0, miss, np.minimum(miss, DOUBTED))[own])


def _terms(design: Design, known: Evidence, fit: Fit) -> tuple[Term, ...]:
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


def _odd(known: Evidence, fit: Fit) -> tuple[Odd, ...]:
    """Sales whose residual, with the rest of the sales believed, is hardly believable; the oddest first."""
    far = np.abs(fit.standard)
    (odd,) = np.nonzero(far >= ABSURD)
    found = [
        Odd(known.ids[i], float(np.exp(fit.left_out[i])), float(min(fit.trust[i], 1.0)))
        for i in odd[np.argsort(-far[odd], kind="stable")]
    ]
    return tuple(found)
