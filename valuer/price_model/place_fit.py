"""The regression behind the local correction: own sales on the terms of a place, believed as far as they go together.

The noise is Student's t, so that one absurd sale has little say (Lange, Little and Taylor 1989, from memory): each
sale is weighed by (v + 1) / (v + z^2), 1 at most, z its residual in units of the noise, and the fit repeated until
the weights stand still. It begins from what the prior expects, so that several absurd sales do not speak for each
other. A sale far out loses its say altogether; how far out it is, is judged with its own pull on the fit taken off.

Left alone each round halves what the one before left to do. Where the rounds lead is seen sooner from several of them
together (Anderson's mixing, from memory): half as many rounds to the same weights.

Prices in another money show themselves before that: where sales agree with each other and stand further off than
places do, the common factor is taken off first, and named.
"""

from dataclasses import dataclass, field

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.price_model.own_sales import Evidence
from valuer.price_model.place_prior import PlacePrior
from valuer.price_model.place_terms import terms

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

MONEY_FROM_SALES, MONEY_FROM_SD, MONEY_AGREES = 3, 4.0, 2 / 3
"""Another money is named from so many sales on, where their middle stands so many sds of a place off, and so large a
share of them stands nearer to that middle than to the model."""

STANDS_STILL, MOST_ROUNDS = 1e-10, 100
"""The largest move of a term that counts as none, on the log scale; and rounds after which it is left at that."""

PLAIN = 10.0
"""Last moves by which a term must lie below 0 for no further round to lift it: each round halves the move."""

LOOKS_BACK = 5
"""Rounds that are looked at together."""


@dataclass(frozen=True)
class Design:
    """Columns X of shape (n, k), the name of each, prior means of shape (k,), prior covariance (k, k)."""

    names: tuple[str, ...]
    X: FloatArray
    prior: FloatArray
    covariance: FloatArray

    def without(self, names: set[str]) -> "Design":
        """The same without these columns."""
        kept = [place for place, name in enumerate(self.names) if name not in names]
        return Design(
            tuple(self.names[place] for place in kept),
            self.X[:, kept],
            self.prior[kept],
            self.covariance[np.ix_(kept, kept)],
        )


@dataclass(frozen=True)
class Fit:
    """Posterior mean (k,) and covariance (k, k), t weights (n,), standardised and left-out residuals (n,).

    money: log of the common factor taken off first. pull: how far each sale pulls the fit to itself, (n,), 0 to .99.
    precision: how much each sale says, in units of 1 / variance of its log price, (n,).
    """

    mean: FloatArray
    covariance: FloatArray
    trust: FloatArray
    standard: FloatArray
    left_out: FloatArray
    money: float
    pull: FloatArray
    precision: FloatArray


def laid_out(known: Evidence, prior: PlacePrior) -> Design:
    """The terms of a place, and what asks stand above sales."""
    n = len(terms())
    covariance = np.zeros((n + 1, n + 1))
    covariance[:n, :n] = prior.covariance
    covariance[n, n] = ASKS_SD**2
    return Design(
        (*terms(), ASKS),
        np.column_stack([known.columns, known.is_ask]),
        np.append(np.zeros(n), ASK_OVER_SALE),
        covariance,
    )


def fitted(
    design: Design, known: Evidence, prior: PlacePrior, never_below_none: str | None = None
) -> Fit | None:
    """Weighted regression under the prior, its weights those of the t distribution; to a standstill.

    None where the term ``never_below_none`` comes out below 0, as soon as that is plain.
    """
    variance = known.sd**2 + prior.misfit(known.seen)
    offset = known.residual - design.X @ design.prior
    of_prior = ((design.X @ design.covariance) * design.X).sum(axis=1)
    money = _money(offset, design, variance, known.weight)
    offset = offset - money
    first = offset**2 / (of_prior + variance)
    trust = _t_weight(first) * _believed(np.sqrt(first))
    watched = None if never_below_none is None else design.names.index(never_below_none)
    noise, moved, change, walk = 1.0, np.inf, np.zeros(len(design.prior)), _Walk()
    said, covariance = known.weight * trust / variance, design.covariance
    for _ in range(MOST_ROUNDS):
        covariance = posterior(design, said / noise)
        before, change = change, np.asarray(covariance @ (design.X.T @ (said / noise * offset)))
        moved = float(np.abs(change - before).max())
        squared = (offset - design.X @ change) ** 2 / variance
        believed = _alone(design, covariance, said / noise, squared / noise, of_prior)
        trust = _t_weight(squared / noise) * believed
        sales = PRIOR_SALES + (known.weight * believed).sum()
        measured = (PRIOR_SALES + float(known.weight @ (trust * squared))) / sales
        if moved < STANDS_STILL:
            noise = measured
            break
        if watched is not None and change[watched] < -PLAIN * moved:
            return None
        state = np.append(said, np.log(noise))
        state = walk.onward(state, np.append(known.weight * trust / variance, np.log(measured)))
        said, noise = np.maximum(state[:-1], 0.0), float(np.exp(state[-1]))
    if watched is not None and change[watched] < 0:
        return None
    precision = known.weight * trust / (noise * variance)
    residual = offset - design.X @ change
    pull = _leverage(design.X, covariance, precision)
    # What the prior says of asks is no error of the model, so a left-out residual is held against it all.
    left_out = residual / (1.0 - pull)
    standard = residual / np.sqrt(noise * variance)
    return Fit(design.prior + change, covariance, trust, standard, left_out, money, pull, precision)


@dataclass
class _Walk:
    """Rounds gone so far: where each began, and where it led."""

    began: list[FloatArray] = field(default_factory=list)
    led: list[FloatArray] = field(default_factory=list)

    def onward(self, began: FloatArray, led: FloatArray) -> FloatArray:
        """Where to begin the next round: where the rounds together would lead nowhere else."""
        self.began, self.led = (
            [*each[-LOOKS_BACK:], new] for each, new in ((self.began, began), (self.led, led))
        )
        if len(self.led) < 3:
            return led
        led_by = np.array(self.led)
        steps = led_by - self.began
        share, *_ = np.linalg.lstsq(np.diff(steps, axis=0).T, steps[-1], rcond=None)
        return np.asarray(led - share @ np.diff(led_by, axis=0))


def posterior(design: Design, precision: FloatArray) -> FloatArray:
    """Covariance of the terms after the sales, (k, k), by whichever of sales and terms are fewer."""
    X, prior = design.X, design.covariance
    if len(X) < len(prior):
        across = prior @ X.T
        some = precision > 0
        across, p = across[:, some], precision[some]
        inner = X[some] @ across + np.diag(1.0 / p)
        return np.asarray(prior - across @ np.linalg.solve(inner, across.T))
    root = np.sqrt(precision)[:, None] * X
    return np.asarray(np.linalg.solve(np.eye(len(prior)) + prior @ (root.T @ root), prior))


def _money(offset: FloatArray, design: Design, variance: FloatArray, weight: FloatArray) -> float:
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


def _leverage(X: FloatArray, covariance: FloatArray, precision: FloatArray) -> FloatArray:
    """How far each sale pulls the fit towards itself, shape (n,), from 0 (not at all) to .99."""
    pull: FloatArray = precision * ((X @ covariance) * X).sum(axis=1)
    return np.clip(pull, 0.0, 0.99)


def _t_weight(squared: FloatArray) -> FloatArray:
    """Weight of sales by their squared residual in units of the noise."""
    return np.minimum((FREEDOM + 1) / (FREEDOM + squared), 1.0)


def _alone(
    design: Design, covariance: FloatArray, precision: FloatArray, squared: FloatArray, of_prior: FloatArray
) -> FloatArray:
    """Share of its say that each sale keeps, judged without its own pull on the fit, shape (n,).

    No sale pulls more among others than it would alone, where it pulls by p v / (1 + p v) of itself, v what the prior
    leaves open of it (``of_prior``): most are seen at once to keep all of their say.
    """
    kept = np.ones(len(squared))
    far = squared * (1.0 + precision * of_prior) > DOUBTED**2
    pull = _leverage(design.X[far], covariance, precision[far])
    kept[far] = _believed(np.sqrt(squared[far] / (1.0 - pull)))
    return kept


def _believed(size: FloatArray) -> FloatArray:
    """Share of its say that a sale keeps: all up to DOUBTED standard deviations, none from ABSURD on."""
    return np.clip((ABSURD - size) / (ABSURD - DOUBTED), 0.0, 1.0)
