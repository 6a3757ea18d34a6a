"""The workshop: every fix on offer, with its parts, hours, the strip-down it needs, and its odds on a fault."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import Any

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

IntArray = NDArray[np.integer[Any]]
BoolArray = NDArray[np.bool_]


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

    def together(self, places: Iterable[int]) -> float:
        """Return the bench hours of some fixes done in one session, shared strip-down counted once."""
        hours, opened = 0.0, 0
        for place in places:  # one to three of them, asked for thousands of times
            hours += float(self.hours[place])
            opened |= int(self.groups[place])
        return hours + float(self.group_hours[opened])

    def at(self, own_parts: Mapping[str, float], own_hours: Mapping[str, float]) -> "Workshop":
        """Return the workshop with one's own parts, money at price level 1, and own hours of some fixes."""
        if not own_parts and not own_hours:
            return self
        given = [(own_parts.get(name), own_hours.get(name)) for name in self.names]
        parts = [old if new is None else new for old, (new, _) in zip(self.parts, given, strict=True)]
        hours = [old if new is None else new for old, (_, new) in zip(self.hours, given, strict=True)]
        return replace(self, parts=np.array(parts), hours=np.array(hours))


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


@cache
def _hours_of_groups() -> FloatArray:
    hours = [group.hours for group in strip_down_catalogue().values()]
    sets = np.arange(1 << len(hours))[:, None] >> np.arange(len(hours))[None] & 1
    return np.asarray(sets @ np.array(hours), dtype=np.float64)


def odds_on(shop: Workshop, finding: Finding, readings: Readings) -> FloatArray:
    """Return the likely odds of every fix on this finding, shape (n_fixes,); 0 where it is no fix for it."""
    telling = readings if finding.fault in _told_by_readings(shop) else None
    return _odds_on(shop, finding.fault, finding.severity, telling)


@lru_cache(maxsize=16)
def _told_by_readings(shop: Workshop) -> frozenset[str]:
    return frozenset(fault for fix in shop.fixes.values() for fault, cure in fix.cures.items() if cure.when)


@lru_cache(maxsize=4096)
def _odds_on(shop: Workshop, fault: str, severity: str, readings: Readings | None) -> FloatArray:
    finding = Finding(fault, severity)  # type: ignore[arg-type]
    likely = np.zeros(len(shop.names))
    for place, name in enumerate(shop.names):
        chance = odds(shop.fixes[name], finding, readings or Readings())
        if chance is not None:
            likely[place] = chance.likely
    likely.flags.writeable = False
    return likely
