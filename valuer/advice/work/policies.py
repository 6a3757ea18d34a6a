"""The ways of dealing with one fault: leave it, try a fix, try it and fall back on others when it fails.

A policy has a first try, done in the plan's first round together with the first tries for other faults
(shared strip-down and shared fixes then count once), and later tries, each done only when all before it
failed: a later try is a session of its own and pays its own strip-down again. Odds of different fixes are
taken as independent.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray
from valuer.domain.fixes import (
    Fix,
    between,
    fix_catalogue,
    odds,
    strip_down_catalogue,
    strip_down_needed,
)
from valuer.domain.machine import Finding
from valuer.domain.readings import Readings

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MOST_TRIES = 3
"""Length of the longest chain of fixes on one fault; what failed three times is sold as it stands."""

SECOND_TRY = 0.5
"""Share of its odds that a fix keeps after it failed on the same fault (common practice, no source)."""

NO_FIX = -1


@dataclass(frozen=True, slots=True, eq=False)
class Workshop:
    """The fixes on offer. Arrays have shape (n_fixes,); parts are money at price level 1.

    ``groups`` holds the strip-down work of each fix as a bit set, and ``group_hours`` the hours of every
    such set, so that work shared by several fixes is counted once by joining their bits.
    """

    fixes: Mapping[str, Fix]
    names: tuple[str, ...]
    parts: FloatArray
    hours: FloatArray
    groups: IntArray
    group_hours: FloatArray

    def hours_alone(self, place: int) -> float:
        """Return the bench hours of one fix done alone, strip-down included."""
        return float(self.hours[place] + self.group_hours[self.groups[place]])


def workshop(fixes: Mapping[str, Fix]) -> Workshop:
    """Return the workshop that offers these fixes; what only looks and cures nothing is no fix."""
    offered = {name: fix for name, fix in fixes.items() if not fix.looks_only}
    return Workshop(
        fixes=fixes,
        names=tuple(offered),
        parts=np.array([between(fix.parts, "likely") for fix in offered.values()]),
        hours=np.array([between(fix.hours, "likely") for fix in offered.values()]),
        groups=np.array([_bits(strip_down_needed([fix])) for fix in offered.values()], dtype=np.int64),
        group_hours=_hours_of_groups(),
    )


@cache
def usual_workshop() -> Workshop:
    """Return the workshop with the fixes of the catalogue."""
    return workshop(fix_catalogue())


def _bits(groups: Iterable[str]) -> int:
    order = tuple(strip_down_catalogue())
    return sum(1 << order.index(group) for group in groups)


def _hours_of_groups() -> FloatArray:
    hours = [group.hours for group in strip_down_catalogue().values()]
    sets = np.arange(1 << len(hours))[:, None] >> np.arange(len(hours))[None] & 1
    return np.asarray(sets @ np.array(hours), dtype=np.float64)


def odds_on(
    shop: Workshop, finding: Finding, readings: Readings, failed: frozenset[str] = frozenset()
) -> FloatArray:
    """Return the likely odds of every fix on this finding, shape (n_fixes,); 0 where it is no fix for it.

    ``failed`` names fixes that failed on this fault before: a second try has half the odds of the first.
    """
    telling = readings if finding.fault in _told_by_readings(shop) else None
    return _odds_on(shop, finding.fault, finding.severity, telling, failed)


@lru_cache(maxsize=16)
def _told_by_readings(shop: Workshop) -> frozenset[str]:
    return frozenset(fault for fix in shop.fixes.values() for fault, cure in fix.cures.items() if cure.when)


@lru_cache(maxsize=4096)
def _odds_on(
    shop: Workshop, fault: str, severity: str, readings: Readings | None, failed: frozenset[str]
) -> FloatArray:
    finding = Finding(fault, severity)  # type: ignore[arg-type]
    likely = np.zeros(len(shop.names))
    for place, name in enumerate(shop.names):
        chance = odds(shop.fixes[name], finding, readings or Readings())
        if chance is not None:
            likely[place] = chance.likely * (SECOND_TRY if name in failed else 1.0)
    likely.flags.writeable = False
    return likely


@dataclass(frozen=True, slots=True, eq=False)
class Policies:
    """The policies for one fault. Arrays have shape (n_policies,); the first policy leaves the fault in.

    ``first`` is the place of the first try in the workshop, or -1 when the policy only acts on what the first
    round for other faults has left. ``later``, shape (n_policies, 2), names the tries after it, padded with
    -1; ``later_*`` are costs expected from the moment the first round left the fault there, ``worst_*`` the
    same if every later try fails too.
    """

    first: IntArray
    later: IntArray
    cured_later: FloatArray
    later_parts: FloatArray
    later_hours: FloatArray
    worst_parts: FloatArray
    worst_hours: FloatArray

    def only(self, keep: BoolArray) -> "Policies":
        """Return the policies that ``keep`` marks."""
        return Policies(*(getattr(self, name)[keep] for name in Policies.__slots__))


@lru_cache(maxsize=4096)
def policies_for(shop: Workshop, fault: str, likely: bytes) -> Policies:
    """Return every policy for a fault. ``likely`` are the odds of every fix on it, as bytes of the array."""
    chances = np.frombuffer(likely)
    rows = [_policy(shop, chances, first, later) for first, later in _sequences(shop, fault, chances)]
    first = np.array([row.first for row in rows], dtype=np.int64)
    later = [(*row.later, *(NO_FIX,) * (MOST_TRIES - 1 - len(row.later))) for row in rows]
    numbers = np.array([row.numbers for row in rows]).T
    return Policies(
        first=first,
        later=np.array(later, dtype=np.int64),
        cured_later=numbers[0],
        later_parts=numbers[1],
        later_hours=numbers[2],
        worst_parts=numbers[3],
        worst_hours=numbers[4],
    )


def _sequences(shop: Workshop, fault: str, chances: FloatArray) -> list[tuple[int, tuple[int, ...]]]:
    """Return (first try, later tries): every start of the trade's chains, at once or waiting."""
    chains = [_chain(shop, fault, int(place), chances) for place in np.flatnonzero(chances)]
    starts = [chain[:length] for chain in chains for length in range(1, len(chain) + 1)]
    waiting = [(NO_FIX, start) for start in starts if len(start) < MOST_TRIES]
    return [(NO_FIX, ()), *((start[0], start[1:]) for start in starts), *waiting]


def _chain(shop: Workshop, fault: str, start: int, chances: FloatArray) -> tuple[int, ...]:
    """Follow the trade's own order of next tries, up to `MOST_TRIES` fixes that can work here."""
    chain, name = [start], shop.names[start]
    while len(chain) < MOST_TRIES:
        cure = shop.fixes[name].cures.get(fault)
        name = cure.next if cure else ""
        if name not in shop.names or not chances[shop.names.index(name)]:
            break
        chain.append(shop.names.index(name))
    return tuple(chain)


class _Row(NamedTuple):
    first: int
    later: tuple[int, ...]
    numbers: tuple[float, ...]


def _policy(shop: Workshop, chances: FloatArray, first: int, later: tuple[int, ...]) -> _Row:
    left = 1.0  # chance that the fault is still there when the next later try starts
    parts = hours = worst_parts = worst_hours = 0.0
    for place in later:
        worst_parts += shop.parts[place]
        worst_hours += shop.hours_alone(place)
        parts += left * shop.parts[place]
        hours += left * shop.hours_alone(place)
        left *= 1 - chances[place]
    return _Row(first, later, (1 - left, parts, hours, worst_parts, worst_hours))
