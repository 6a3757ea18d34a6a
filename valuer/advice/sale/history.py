"""What the weeks listed have said: of the machine's worth, of the advert, and why it has not sold.

Bayes on a grid. Not known are the worth beside the value, how much the advert is seen (a factor on visitors), how
many ask for one who means it, and whether something puts off those who come, which the advert does not show. The
doubt of a value was fitted on listings that differ in all of these, and its middle is that of listings with all of
them: so what is put off and how much is seen are parts of that doubt, round that middle, and neither is added to it.
Each week gives the chance of what was seen: nobody who would pay the least, the
best offer that was refused, the number who asked. Visitors with their limits are a Poisson process: that nobody
came who pays at least x has the chance exp(-mean(x)), and the mean follows from the chance of a sale at a least
of x as -log(1 - chance).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import lgamma
from typing import Literal

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.sale.outlook import Outlook

Cause = Literal["chance", "season", "price", "advert", "fault"]

USUAL_LEAST = 0.85
"""Least taken as a share of the value, where no refused offer shows that it is more (common practice, no source)."""

ADVERT_SD = 0.35
"""Log sd of how much one advert is seen beside another (common practice, no source: no pictures of the underside
1.3 times the days, a place in the country 1.6 times)."""

VISITS_FALL = 8.0
"""Log by which visitors fall for a log unit more asked beside the worth (common practice, no source: median days
rise with exp(8 (ask / value - 1)))."""

ASKERS_SD = 0.7
"""Log sd of how many ask for one who would buy, between places and months (judgement, no source)."""

PUT_OFF, PUT_OFF_CHANCE, PUT_OFF_IF_HEARD = 1.7, 0.10, 0.25
"""Off the worth where something puts off those who come, in sd of the doubt (a quarter of the worth at the usual
doubt); its chance, and that of a machine that is noisy or smokes (judgement; common practice, no source: many
enquiries and no sale, a fault seen on arrival)."""

OPENING, OPENING_CHANCE = 1.3, 0.5
"""An offer may be an opening, its buyer's limit up to this many times higher (common practice, no source: by
message .70 of the ask, on the spot .88)."""

EMPTY_TALK, TALK_RANGE = 0.3, 0.7
"""Share of offers that say nothing of the worth, and the log below the ask over which they lie (judgement; common
practice, no source: first offers a quarter to a half below the ask)."""

FAIR_ASK = 1.10
"""Ask over value that is held against what was asked (common practice, no source)."""

SLOW = np.log(1.5)
"""Below this factor on visitors nothing is called slow (judgement, no source)."""

NOBODY = -3.0
"""Log of least over value at which everybody who comes would buy."""

WORTHS = np.linspace(-3.5, 3.5, 43)
POINTS = np.linspace(-3.5, 3.5, 21)
POINT_WEIGHTS = np.exp(-(POINTS**2) / 2) / np.exp(-(POINTS**2) / 2).sum()
"""Even points of a standard normal, close enough for what many enquiries say."""


@dataclass(frozen=True)
class PastWeek:
    """One listed week that did not end in a sale. Money is own money.

    month: of the northern year; ask; refused: the highest offer refused, 0 where none is on record; enquiries:
    people who asked, None where nobody counted; share: how much of the week has passed, 1 for a whole one.
    """

    month: int
    ask: float
    refused: float = 0.0
    enquiries: int | None = None
    share: float = 1.0


@dataclass(frozen=True)
class Stood:
    """A time listed that still runs: its weeks in order.

    counted: log odds by which these very weeks have moved how fast own machines sell in general, and so the chances
    they are read with; taken out first, or they would be counted twice.
    """

    weeks: tuple[PastWeek, ...] = ()
    counted: float = 0.0


@dataclass(frozen=True)
class Learned:
    """What the weeks say.

    ``worth`` mean log ratio to the value as it was believed, ``silent`` the same if no offer had been refused,
    ``sd`` what doubt of it is left, ``seen`` mean log factor on visitors; ``unsold`` chance that a machine worth that
    value is unsold by now; ``causes`` chance of what held it up, summing to 1.
    """

    worth: float
    silent: float
    sd: float
    seen: float
    unsold: float
    causes: Mapping[Cause, float]


def learn(outlook: Outlook, weeks: Sequence[PastWeek], askers: float) -> Learned:
    """Return what unsold weeks say of one machine. askers: people who ask for one who would buy."""
    heard = any(outlook.levels.get(name, 0.0) > 0 for name in ("noise", "smoke"))
    put_off = PUT_OFF_IF_HEARD if heard else PUT_OFF_CHANCE
    worth = (WORTHS * _doubt_of_worth(outlook.doubt, put_off))[:, None, None, None]
    seen = (POINTS * ADVERT_SD)[None, :, None, None]
    talk = (POINTS * ASKERS_SD)[None, None, :, None]
    off = PUT_OFF * outlook.doubt * (np.array([0.0, 1.0]) - put_off)[None, None, None, :]
    prior = (
        np.exp(-(WORTHS**2) / 2)[:, None, None, None]
        * POINT_WEIGHTS[None, :, None, None]
        * POINT_WEIGHTS[None, None, :, None]
        * np.array([1 - put_off, put_off])
    )

    def believed(weeks: Sequence[PastWeek]) -> FloatArray:
        """Share of every point of the grid after these weeks."""
        said = np.zeros(prior.shape)
        for number, week in enumerate(weeks, start=1):
            said = said + _said(outlook, number, week, askers, worth, seen, talk, off)
        share = prior * np.exp(said - said.max())
        return np.asarray(share / share.sum())

    share, true = believed(weeks), worth - off
    mean = float((share * true).sum())
    refused = any(week.refused for week in weeks)
    silent = believed([replace(week, refused=0.0) for week in weeks]) if refused else share
    return Learned(
        worth=mean,
        silent=float((silent * true).sum()),
        sd=float(np.sqrt((share * (true - mean) ** 2).sum())),
        seen=float((share * seen).sum()),
        unsold=float(_unsold(outlook, weeks)),
        causes=_causes(outlook, weeks, share, worth[:, 0, 0, 0], seen[0, :, 0, 0]),
    )


def _doubt_of_worth(doubt: float, put_off: float) -> float:
    """Log sd that is left for the worth itself where advert and what puts off have had their parts of the doubt."""
    of_put_off = put_off * (1 - put_off) * (PUT_OFF * doubt) ** 2
    return float(np.sqrt(max(doubt**2 - of_put_off - (ADVERT_SD / VISITS_FALL) ** 2, 0.0)))


def _said(
    outlook: Outlook,
    number: int,
    week: PastWeek,
    askers: float,
    worth: FloatArray,
    seen: FloatArray,
    talk: FloatArray,
    off: FloatArray,
) -> FloatArray:
    """Log chance of what was seen in one week, over the grid."""
    value = float(outlook.values[week.month - 1])
    ask = float(np.log(week.ask / value))
    least = min(ask, max(np.log(USUAL_LEAST), np.log(week.refused / value) if week.refused else -np.inf))
    coming = week.share * np.exp(seen)
    month, count = np.asarray(float(week.month)), np.asarray(float(number))
    listed = outlook.chances.weeks(np.asarray(ask), month, count, outlook.levels, worth)

    def who_pay(limit: float) -> FloatArray:
        return buyers(listed.chance(limit + off))

    would = who_pay(least)
    if not week.refused:
        said = -coming * would
    else:
        x = min(np.log(week.refused / value), ask)
        above = np.log(OPENING)
        step = 0.05
        here = (who_pay(x - step) - who_pay(x + step)) / (2 * step)
        opening = (who_pay(x) - who_pay(x + above)) / above
        anybody = who_pay(NOBODY)
        plain = (1 - OPENING_CHANCE) * here * np.exp(-coming * who_pay(x))
        shaded = OPENING_CHANCE * opening * np.exp(-coming * would)
        empty = EMPTY_TALK / TALK_RANGE * anybody * np.exp(-coming * would)
        said = seen + np.log(np.maximum((1 - EMPTY_TALK) * (plain + shaded) + empty, 1e-300))
    if week.enquiries is not None:
        asking = np.maximum(askers * week.share * np.exp(seen + talk) * who_pay(NOBODY), 1e-9)
        said = said + week.enquiries * np.log(asking) - asking - lgamma(week.enquiries + 1)
    return np.asarray(said + np.zeros_like(talk))


def buyers(chance: FloatArray) -> FloatArray:
    """Expected people a week who would pay what sells with this chance."""
    return np.asarray(-np.log1p(-np.minimum(chance, 1 - 1e-9)))


def _would_buy(
    outlook: Outlook, weeks: Sequence[PastWeek], worth: FloatArray, months: FloatArray | None = None
) -> FloatArray:
    """Expected people who would have paid the usual least in all of these weeks; worth and months (..., 1)."""
    own = np.array([week.month for week in weeks])
    ask = np.log([week.ask for week in weeks] / outlook.values[own - 1])
    count = np.arange(1.0, len(weeks) + 1)
    listed = outlook.chances.weeks(ask, own if months is None else months, count, outlook.levels, worth)
    would = buyers(listed.chance(np.minimum(ask, np.log(USUAL_LEAST))))
    return np.asarray(would @ [week.share for week in weeks])


def _unsold(outlook: Outlook, weeks: Sequence[PastWeek], months: FloatArray | None = None) -> FloatArray:
    """Chance that it is unsold after these weeks if it is worth its value, in its months or all in others."""
    return np.exp(-_would_buy(outlook, weeks, np.zeros(1), months))


def _causes(
    outlook: Outlook, weeks: Sequence[PastWeek], share: FloatArray, worth: FloatArray, seen: FloatArray
) -> dict[Cause, float]:
    """Chance of each explanation: what slows visitors most, by SLOW at least; else the season, or chance alone.

    The season has the part of the rest by which the same weeks in the best month would have left fewer unsold.
    """
    fair = [replace(week, ask=FAIR_ASK * float(outlook.values[week.month - 1])) for week in weeks]
    usual, found = _would_buy(outlook, fair, np.zeros(1)), _would_buy(outlook, weeks, worth[:, None])
    dear = np.log(np.maximum(usual, 1e-12)) - np.log(np.maximum(found, 1e-12))
    hidden = -seen[None, :] + np.zeros_like(dear)[:, None]
    price = (dear[:, None] >= np.maximum(hidden, SLOW)).astype(float)
    advert = ((hidden > dear[:, None]) & (hidden > SLOW)).astype(float)
    as_shown = share[..., 0].sum(axis=2)
    odds: dict[Cause, float] = {
        "price": float((as_shown * price).sum()),
        "advert": float((as_shown * advert).sum()),
        "fault": float(share[..., 1].sum()),
    }
    rest = max(1.0 - sum(odds.values()), 0.0)
    now = float(_unsold(outlook, weeks))
    best = float(_unsold(outlook, weeks, np.arange(1.0, 13.0)[:, None]).min())
    of_season = rest * max(0.0, 1.0 - best / now) if now > 0 else 0.0
    return {"chance": rest - of_season, "season": of_season, **odds}


def after(outlook: Outlook, weeks: Sequence[PastWeek], learned: Learned) -> Outlook:
    """The outlook from now on: worth, doubt and visitors as learned, the weeks counted."""
    return replace(
        outlook,
        chances=outlook.chances.shifted(learned.seen),
        values=outlook.values * np.exp(learned.worth),
        listed=sum(week.share >= 1 for week in weeks),
        left_doubt=learned.sd,
        sd=float(np.sqrt(max(outlook.sd**2 - outlook.doubt**2, 0.0) + learned.sd**2)),
    )
