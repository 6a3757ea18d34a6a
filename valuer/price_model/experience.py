"""What own tries say about the fixes: how often they hold, and how long they take.

Odds: a Beta belief of the catalogue's mean and weight (in tries), to which own tries are added one by one.
Hours: the log of own hours over the catalogue's, normal with a factor common to all work and one for each
fix, both with normal priors around no difference.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.domain.fixes import Cure, Fix, Odds, bench_hours, fix_catalogue

PACE_SD, FIX_SD, NOISE_SD = 0.3, 0.25, 0.4
"""Widths on the log scale: of one's own pace, of one fix beside the others, of one job (judgement)."""


@dataclass(frozen=True)
class Try:
    """One own try: the fix, the fault it was for, whether it held, and the bench hours, if known."""

    fix: str
    fault: str
    cured: bool
    hours: float | None = None


def beta_update(odds: Odds, cured: int, failed: int) -> Odds:
    """Return the odds after own tries: a Beta prior of mean ``likely`` and weight ``tries``, then counted on.

    >>> beta_update(Odds(low=0.1, likely=0.25, high=0.45, tries=4), cured=1, failed=7).likely
    0.16666666666666666
    """
    from scipy.special import betaincinv

    if cured + failed == 0:
        return odds
    a, b = odds.likely * odds.tries + cured, (1 - odds.likely) * odds.tries + failed
    low, high = (float(betaincinv(max(a, 1e-9), max(b, 1e-9), share)) for share in (0.1, 0.9))
    mean = a / (a + b)
    return Odds(low=min(low, mean), likely=mean, high=max(high, mean), tries=min(a + b, 100.0))


def normal_update(mean: float, variance: float, seen: Sequence[float], noise: float) -> tuple[float, float]:
    """Return the posterior mean and variance of a normal mean: prior, observations, variance of their noise.

    >>> normal_update(0.0, 1.0, [2.0], 1.0)
    (1.0, 0.5)
    """
    precision = 1 / variance + len(seen) / noise
    return (mean / variance + sum(seen) / noise) / precision, 1 / precision


def hours_factors(tries: Iterable[Try]) -> tuple[float, dict[str, float]]:
    """Return own hours over the catalogue's: of all work, and of each fix tried."""
    timed = [each for each in tries if each.hours]
    names = sorted({each.fix for each in timed})
    if not timed:
        return 1.0, {}
    usual = np.array([bench_hours([fix_catalogue()[each.fix]]) for each in timed])
    ratio = np.log(np.array([each.hours for each in timed], dtype=float) / usual)
    X = np.array([[1.0, *(float(each.fix == name) for name in names)] for each in timed])
    prior = np.diag([PACE_SD**-2, *[FIX_SD**-2] * len(names)])
    found: FloatArray = np.linalg.solve(prior + X.T @ X / NOISE_SD**2, X.T @ ratio / NOISE_SD**2)
    factors = {name: float(np.exp(found[0] + own)) for name, own in zip(names, found[1:], strict=True)}
    return float(np.exp(found[0])), factors


def own_fixes(tries: Sequence[Try], catalogue: Mapping[str, Fix] | None = None) -> dict[str, Fix]:
    """Return the catalogue with the odds and hours that own tries leave of it."""
    pace, of_fix = hours_factors(tries)
    return {
        name: _own_fix(fix, [each for each in tries if each.fix == name], of_fix.get(name, pace))
        for name, fix in (catalogue or fix_catalogue()).items()
    }


def _own_fix(fix: Fix, tries: Sequence[Try], factor: float) -> Fix:
    cures = {
        fault: _own_cure(cure, [t for t in tries if t.fault == fault]) for fault, cure in fix.cures.items()
    }
    hours = tuple(min(end * factor, 100.0) for end in fix.hours)
    return fix.model_copy(update={"cures": cures, "hours": hours})


def _own_cure(cure: Cure, tries: Sequence[Try]) -> Cure:
    """The cure with every one of its odds moved; odds of nothing stay nothing."""
    held = sum(each.cured for each in tries)

    def moved(odds: Odds | None) -> Odds | None:
        if odds is None or not tries or odds.likely == 0:
            return odds
        return beta_update(odds.model_copy(update={"tries": cure.tries}), held, len(tries) - held)

    when = tuple(case.model_copy(update={"odds": moved(case.odds)}) for case in cure.when)
    return cure.model_copy(
        update={
            "odds": moved(cure.odds),
            "slight": moved(cure.slight),
            "serious": moved(cure.serious),
            "when": when,
            "tries": min(cure.tries + len(tries), 100.0),
        }
    )
