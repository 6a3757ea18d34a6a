"""How fast own machines sell beside the listings that the selling model was fitted on.

One number is learnt: how far the log odds of a sale in a week lie from the model's, everywhere alike. Its
prior is normal around none. Each listing brings the chance of what happened to it, week by week: not sold, not
sold, sold; one that never sold counts for the weeks it stood (censored, not dropped). The chance is averaged
over the doubt about its worth, which stays with a listing for all its weeks, so a single long one says little.
One listing in twenty may not be looked after at all (nobody answers), so a forgotten one bends nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.domain.machine import Machine
from valuer.price_model.own_sales import HALF_LIFE_DAYS, Z80, encoded, present, rows_with
from valuer.price_model.selling import NODES, WEIGHTS, SellingModel

PRIOR_SD = 0.5
"""Width of the prior on the log odds of a sale in a week: two places in three within 1.6 times (judgement)."""

USUAL_LEAST = 0.85
"""Least taken as a share of the value, where no refused offer shows that it is more (common practice, no source)."""

FORGOTTEN, FORGOTTEN_CHANCE = 0.05, 0.02
"""Share of listings that nobody looks after, and their chance of a sale in a week (judgement)."""

SHIFTS = np.linspace(-3.0, 3.0, 241)
"""Shifts at which the posterior is summed: six prior widths either way."""


@dataclass(frozen=True)
class OwnWeek:
    """One listed week: which of the listing (1 is the first), month, ask, highest offer refused or 0.

    Money at price level 1.
    """

    number: int
    month: int
    ask: float
    refused: float = 0.0


@dataclass(frozen=True)
class OwnListing:
    """One own listing, its weeks in order; ``sold`` in the last of them, else still open or withdrawn.

    ``runs``: whether it still stands listed.
    """

    machine: Machine
    weeks: tuple[OwnWeek, ...]
    sold: bool
    days_ago: float = 0.0
    runs: bool = False


@dataclass(frozen=True)
class Speed:
    """How far own listings move the log odds of a sale in a week; above 0 is sooner.

    ``moved`` posterior mean, ``sd`` posterior, ``prior_sd``; ``listings``, ``sold``, ``weeks`` counted;
    ``expected`` how many of them the model without the shift would have sold in those weeks. ``by_running`` how much
    of ``moved`` comes from each listing that still runs, by machine id.
    """

    moved: float = 0.0
    sd: float = PRIOR_SD
    prior_sd: float = PRIOR_SD
    listings: int = 0
    sold: int = 0
    weeks: int = 0
    expected: float = 0.0
    by_running: Mapping[str, float] = field(default_factory=dict)

    @property
    def at_rest(self) -> bool:
        """Whether there was no listing to learn from."""
        return self.listings == 0


NO_LISTINGS = Speed()


def learn_speed(model: ValueModel, chances: SellingModel, listings: Sequence[OwnListing]) -> Speed:
    """Return the shift that own listings call for; `NO_LISTINGS` for none. ``model`` gives their values."""
    told = [listing for listing in listings if listing.weeks]
    if not told:
        return NO_LISTINGS
    heard = []
    expected = 0.0
    for listing, prices in zip(told, _prices(model, told), strict=True):
        chance = _chances(chances, listing, *prices)
        weight = 0.5 ** (max(listing.days_ago, 0.0) / HALF_LIFE_DAYS)
        heard.append(weight * _log_likelihood(chance, listing.sold))
        expected += float(WEIGHTS @ (1.0 - np.prod(1.0 - chance, axis=1)))
    log_posterior = sum(heard, -(SHIFTS**2) / (2 * PRIOR_SD**2))
    moved, sd = _mean_and_sd(log_posterior)
    return Speed(
        moved=moved,
        sd=sd,
        listings=len(told),
        sold=sum(listing.sold for listing in told),
        weeks=sum(len(listing.weeks) for listing in told),
        expected=expected,
        by_running={
            listing.machine.id: moved - _mean_and_sd(log_posterior - own)[0]
            for listing, own in zip(told, heard, strict=True)
            if listing.runs
        },
    )


def _mean_and_sd(log_posterior: FloatArray) -> tuple[float, float]:
    """Of a shift with these log chances at SHIFTS, which need not sum to 1."""
    share = np.exp(log_posterior - log_posterior.max())
    share /= share.sum()
    mean = float(share @ SHIFTS)
    return mean, float(np.sqrt(share @ (SHIFTS - mean) ** 2))


def _prices(model: ValueModel, told: Sequence[OwnListing]) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Value, low and high end of each listing in each of its weeks, shape (weeks,).

    All listings go into one call: a server asks after every change of the records, and one by one they would take
    it a second from a few hundred listings on.
    """
    pairs = [(listing.machine, week.month) for listing in told for week in listing.weeks]
    found = [present(listing.machine) for listing in told]
    of_weeks = [each for each, listing in zip(found, told, strict=True) for _ in listing.weeks]
    rows = rows_with(model, encoded(model, pairs), of_weeks)
    ends = np.cumsum([len(listing.weeks) for listing in told])[:-1]
    value = model.value(rows)
    prices = (np.split(of_all, ends) for of_all in (value, *model.interval(rows, value)))
    return list(zip(*prices, strict=True))


def _chances(
    chances: SellingModel, listing: OwnListing, value: FloatArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Chance of a sale in each week at each node of the doubt, by the model alone; shape (nodes, weeks)."""
    found = present(listing.machine)
    ask = np.array([week.ask for week in listing.weeks])
    refused = np.array([week.refused for week in listing.weeks])
    least = np.minimum(ask, np.maximum(USUAL_LEAST * value, refused))
    levels = chances.slowing([(finding.fault, finding.severity) for finding in found])
    doubt = chances.doubt_of(float(np.log(high / low).mean()) / (2 * Z80), levels)
    weeks = chances.weeks(
        np.log(ask / value),
        np.array([float(week.month) for week in listing.weeks]),
        np.array([float(week.number) for week in listing.weeks]),
        levels,
        (NODES * doubt)[:, None],
    )
    return np.clip(weeks.chance(np.log(least / value)), 1e-9, 1 - 1e-9)


def _log_likelihood(chance: FloatArray, sold: bool) -> FloatArray:
    """Log chance of what happened at each of SHIFTS, shape (n_shifts,)."""
    odds = (chance / (1 - chance))[None] * np.exp(SHIFTS)[:, None, None]
    moved = odds / (1 + odds)
    happened = np.prod(1 - moved[..., :-1], axis=-1) * (moved[..., -1] if sold else 1 - moved[..., -1])
    weeks = chance.shape[1]
    idle = (1 - FORGOTTEN_CHANCE) ** (weeks - sold) * FORGOTTEN_CHANCE**sold
    return np.asarray(np.log((1 - FORGOTTEN) * (happened @ WEIGHTS) + FORGOTTEN * idle))
