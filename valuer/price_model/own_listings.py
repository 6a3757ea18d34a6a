"""How fast own machines sell beside the listings that the selling model was fitted on.

One number is learnt: how far the log odds of a sale in a week lie from the model's, everywhere alike. Its
prior is normal around none. Each listing brings the chance of what happened to it, week by week: not sold, not
sold, sold; one that never sold counts for the weeks it stood (censored, not dropped). The chance is averaged
over the doubt about its worth, which stays with a listing for all its weeks, so a single long one says little.
One listing in twenty may not be looked after at all (nobody answers), so a forgotten one bends nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray, ValueModel
from valuer.domain.machine import Machine
from valuer.domain.told_twice import as_priced
from valuer.price_model.corrected import CorrectedModel
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


AT_ONCE = 500
"""Weeks for which what happened is reckoned at once: each takes 10 kB."""

IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


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
    return Heard().speed(model, chances, dict(enumerate(listings)), 0, lambda listing: [listing])


@dataclass
class _Kept:
    """One listing, the rows of its weeks, and what it says.

    log_chance: of what happened at each of SHIFTS, None until it is weighed; expected: chance of a sale without one.
    """

    listing: OwnListing
    rows: FloatArray
    log_chance: FloatArray | None = None
    expected: float = 0.0


class Heard:
    """What own listings say, kept to be brought up to date by what changes.

    A listing is weighed again where it, or what prices it, is not what it was; its weeks are encoded once a day.
    """

    def __init__(self) -> None:
        self._day = 0
        self._listings: dict[int, tuple[Any, Sequence[OwnListing]]] = {}
        self._by: tuple[object, ...] = (None,) * 4
        self._kept: dict[int, _Kept] = {}

    def speed(
        self,
        model: ValueModel,
        chances: SellingModel,
        records: Mapping[int, Any],
        day: int,
        listings: Callable[[Any], Sequence[OwnListing]],
    ) -> Speed:
        """Return the shift that they call for on a day; `NO_LISTINGS` for none.

        records: what listings are read from, by ids as objects: one that changed is another.
        """
        before = self._listings if day == self._day else {}
        self._day, self._listings = (
            day,
            {
                key: before[key] if key in before else (record, listings(record))
                for key, record in records.items()
            },
        )
        told = [each for _, some in self._listings.values() for each in some if each.weeks]
        self._hear(model, chances, {id(each): each for each in told})
        return _speed([self._kept[id(each)] for each in told]) if told else NO_LISTINGS

    def _hear(self, model: ValueModel, chances: SellingModel, told: Mapping[int, OwnListing]) -> None:
        """Weigh those of the listings, by their ids as objects, that were not weighed as they stand."""
        below, correction = (
            (model.model, model.correction) if isinstance(model, CorrectedModel) else (model, None)
        )
        by = (below, correction is None, correction, chances)
        same = [one is other for one, other in zip(by, self._by, strict=True)]
        kept = self._kept if all(same[:2]) else {}
        new = [key for key in told if key not in kept]
        fresh = dict(zip(new, _encoded(model, [told[key] for key in new]), strict=True))
        self._kept = {
            key: kept[key] if key in kept else _Kept(listing, fresh[key]) for key, listing in told.items()
        }
        self._by = by
        _weigh(
            model, chances, [each for each in self._kept.values() if each.log_chance is None or not all(same)]
        )


def _speed(kept: Sequence[_Kept]) -> Speed:
    told = [each.listing for each in kept]
    weight = np.array([0.5 ** (max(listing.days_ago, 0.0) / HALF_LIFE_DAYS) for listing in told])
    heard = weight[:, None] * np.array([each.log_chance for each in kept])
    log_posterior = heard.sum(axis=0) - SHIFTS**2 / (2 * PRIOR_SD**2)
    (moved,) = _means(log_posterior[None])
    (square,) = _means(log_posterior[None], (SHIFTS - moved) ** 2)
    running = [place for place, listing in enumerate(told) if listing.runs]
    without = _means(log_posterior - heard[running])
    return Speed(
        moved=moved,
        sd=float(np.sqrt(square)),
        listings=len(told),
        sold=sum(listing.sold for listing in told),
        weeks=sum(len(listing.weeks) for listing in told),
        expected=sum(each.expected for each in kept),
        by_running={
            told[place].machine.id: moved - rest for place, rest in zip(running, without, strict=True)
        },
    )


def _means(log_posterior: FloatArray, of: FloatArray = SHIFTS) -> list[float]:
    """Mean of what is told at SHIFTS by each line of log chances of them, (m, n_shifts), which need not sum to 1."""
    share = np.exp(log_posterior - log_posterior.max(axis=1, keepdims=True))
    return list(((share @ of) / share.sum(axis=1)).tolist())


def _encoded(model: ValueModel, listings: Sequence[OwnListing]) -> Sequence[FloatArray]:
    """Rows of each listing, one a week, as it is priced; all from one call."""
    if not listings:
        return []
    pairs = [(listing.machine, week.month) for listing in listings for week in listing.weeks]
    told = [(as_priced(present(listing.machine)), len(listing.weeks)) for listing in listings]
    rows = rows_with(model, encoded(model, pairs), [found for found, weeks in told for _ in range(weeks)])
    return np.split(rows, np.cumsum([weeks for _, weeks in told])[:-1])


def _weigh(model: ValueModel, chances: SellingModel, kept: Sequence[_Kept]) -> None:
    """Write down what listings say, by this model and these chances."""
    if not kept:
        return
    rows = np.concatenate([each.rows for each in kept])
    if isinstance(model, CorrectedModel):
        rows = model.moved(rows)
    count = np.array([len(each.rows) for each in kept])
    chance = _chances(model, chances, [each.listing for each in kept], rows, count)
    ends = np.cumsum(count)
    for some in np.array_split(np.arange(len(kept)), 1 + len(rows) // AT_ONCE):
        sold = np.array([kept[place].listing.sold for place in some])
        weeks = slice(ends[some[0]] - count[some[0]], ends[some[-1]])
        log_chance, expected = _what_happened(chance[:, weeks], count[some], sold)
        for place, each, one in zip(some, log_chance, expected.tolist(), strict=True):
            kept[place].log_chance, kept[place].expected = each, one


def _chances(
    model: ValueModel,
    chances: SellingModel,
    listings: Sequence[OwnListing],
    rows: FloatArray,
    count: IntArray,
) -> FloatArray:
    """Chance of a sale in each week of all listings at each node of the doubt, by the model alone; (nodes, weeks)."""
    value = model.value(rows)
    low, high = model.interval(rows, value)
    weeks = [week for listing in listings for week in listing.weeks]
    ask, refused = (
        np.array(each) for each in zip(*((week.ask, week.refused) for week in weeks), strict=True)
    )
    least = np.minimum(ask, np.maximum(USUAL_LEAST * value, refused))
    levels = [
        chances.slowing([(finding.fault, finding.severity) for finding in present(listing.machine)])
        for listing in listings
    ]
    starts, of = np.cumsum(count) - count, np.repeat(np.arange(len(count)), count)
    sd = np.add.reduceat(np.log(high / low), starts) / count / (2 * Z80)
    doubt = np.array([chances.doubt_of(*each) for each in zip(sd.tolist(), levels, strict=True)])
    names = dict.fromkeys(name for each in levels for name in each)
    faults: dict[str, Any] = {name: np.array([each.get(name, 0.0) for each in levels])[of] for name in names}
    listed = chances.weeks(
        np.log(ask / value),
        np.array([float(week.month) for week in weeks]),
        np.array([float(week.number) for week in weeks]),
        faults,
        NODES[:, None] * doubt[of],
    )
    return np.clip(listed.chance(np.log(least / value)), 1e-9, 1 - 1e-9)


def _what_happened(chance: FloatArray, count: IntArray, sold: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Log chance of it for each listing at each of SHIFTS, (n, n_shifts), and that of a sale at all without one, (n,).

    chance: of a sale in each week at each node, shape (nodes, weeks); count: weeks of each listing, in turn.
    """
    starts, last = np.cumsum(count) - count, np.cumsum(count) - 1
    odds = (chance / (1 - chance))[None] * np.exp(SHIFTS)[:, None, None]
    happened = np.multiply.reduceat(1 / (1 + odds), starts, axis=2) * np.where(sold, odds[..., last], 1.0)
    idle = (1 - FORGOTTEN_CHANCE) ** (count - sold) * FORGOTTEN_CHANCE**sold
    heard = (1 - FORGOTTEN) * np.einsum("skn,k->ns", happened, WEIGHTS) + FORGOTTEN * idle[:, None]
    return np.log(heard), WEIGHTS @ (1.0 - np.multiply.reduceat(1.0 - chance, starts, axis=1))
