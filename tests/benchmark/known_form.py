"""What can be learnt at all: a learner that knows the second market's formula, its tables and how its places differ.

It only has to find out which place it is in, by the most likely parameters given the sales (a normal prior on each, as
the places are drawn). Nothing in the product may know this; the figure says how near the goals are to the least error
that own sales allow.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.stats import norm

from tests.benchmark.second_market import (
    AGES,
    CLIFFS,
    DRIVE_NEW,
    KEPT,
    LOOKS,
    NEW,
    NOISE,
    UNKNOWN_AGE,
    USUAL,
    SecondMarket,
    sums_off,
)
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding, Machine
from valuer.price_model.place_terms import LEVEL

Floats = npt.NDArray[np.float64]

NORMAL = {"level": 0.25, "fall": 0.2, "sums": 0.3}
EVEN = {
    "grows": (0.4, 0.9),
    "rest": (0.6, 0.9),
    "dead_share": (0.22, 0.4),
    "unsafe_share": (0.3, 0.6),
    "may": (0.06, 0.14),
    "cliff": (0.0, 0.12),
}
TASTE = 0.25
"""How `second_market.shifted` draws a place: logs normal with these sds, the rest even between these ends."""


@dataclass(frozen=True)
class Sold:
    """Machines as the formula sees them, n of them: `off` is of shape (n, n_faults), the rest of shape (n,)."""

    new: Floats
    log_kept: Floats
    cliffs: Floats
    looks: Floats
    turn: Floats
    off: Floats
    dead: npt.NDArray[np.bool_]
    unsafe: npt.NDArray[np.bool_]


def sold(machines: Sequence[Machine], found: Sequence[Sequence[Finding]], months: Sequence[int]) -> Sold:
    """The machines with these faults on them, each in its month."""
    faults = list(fault_catalogue())
    off = np.zeros((len(machines), len(faults)))
    for row, each in zip(off, found, strict=True):
        for finding in each:
            severity = int(LEVEL[finding.severity]) - 1
            row[faults.index(finding.fault)] = sums_off()[finding.fault][severity]
    ages = np.array([UNKNOWN_AGE if m.age_years is None else m.age_years for m in machines])
    tiers = [m.tier or "mid" for m in machines]
    news = [
        m.new_price or NEW[tier] * DRIVE_NEW[m.drive or "push"]
        for m, tier in zip(machines, tiers, strict=True)
    ]
    return Sold(
        new=np.array(news),
        log_kept=np.log([np.interp(age, AGES, KEPT[tier]) for age, tier in zip(ages, tiers, strict=True)]),
        cliffs=(ages[:, None] >= np.array(CLIFFS)).sum(axis=1).astype(float),
        looks=np.array([LOOKS[m.looks or "scuffed"] for m in machines]),
        turn=np.cos((np.array(months) - 5) / 12 * 2 * np.pi) - 1.0,
        off=off,
        dead=np.array([any(f.fault == "no_start" for f in each) for each in found]),
        unsafe=np.array(
            [any(fault_catalogue()[f.fault].must_be_cured(f.severity) for f in each) for each in found]
        ),
    )


def place_of(theta: Floats) -> SecondMarket:
    """The place that standard normal coordinates stand for."""
    logs = {name: float(np.exp(sd * theta[i])) for i, (name, sd) in enumerate(NORMAL.items())}
    shares = norm.cdf(theta[len(NORMAL) : len(NORMAL) + len(EVEN)])
    even = {
        name: float(low + (high - low) * share)
        for (name, (low, high)), share in zip(EVEN.items(), shares, strict=True)
    }
    taste = np.exp(TASTE * theta[len(NORMAL) + len(EVEN) :]).tolist()
    return SecondMarket(taste=dict(zip(fault_catalogue(), taste, strict=True)), **logs, **even)


def log_prices(place: SecondMarket, machines: Sold) -> Floats:
    """`SecondMarket.log_price` of many machines at once, shape (n,)."""
    kept = np.exp(place.fall * machines.log_kept) * (1.0 - place.cliff) ** machines.cliffs
    sound = place.level * machines.new * kept * machines.looks * (1.0 + place.may * machines.turn)
    taste = np.array(list(place.taste.values()))
    grown = (sound / place.level / USUAL) ** place.grows
    off = place.sums * place.level * machines.off * taste * grown[:, None]
    largest = off.max(axis=1)
    worth = sound - largest - place.rest * (off.sum(axis=1) - largest)
    worth = np.where(machines.dead, np.minimum(worth, place.dead_share * sound), worth)
    worth = np.where(machines.unsafe, np.minimum(worth, place.unsafe_share * sound), worth)
    bottom = 12.0 * place.level + 0.08 * sound
    return np.asarray(np.log(bottom + np.logaddexp(0.0, (worth - bottom) / 12.0) * 12.0))


def learnt(machines: Sold, log_price: Floats) -> SecondMarket:
    """The most likely place given sales at these log prices, shape (n,)."""

    def residuals(theta: Floats) -> Floats:
        return np.concatenate([(log_price - log_prices(place_of(theta), machines)) / NOISE, theta])

    start = np.zeros(len(NORMAL) + len(EVEN) + len(fault_catalogue()))
    return place_of(least_squares(residuals, start, max_nfev=15).x)
