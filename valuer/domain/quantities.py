"""What follows from readings by arithmetic: means, worst runs, ratios, limits."""

from collections.abc import Callable, Mapping
from math import pi
from statistics import fmean

from valuer.domain.readings import Readings, Release

TIP_SPEED_LIMIT_FT_MIN = 19_000
"""Limit of the speed of a blade tip, feet a minute; second hand."""

_DERIVED = (
    "wet_rise_psi",
    "least_lash_mm",
    "compression_without_release_psi",
    "compression_with_release_psi",
)
_INCHES_PER_FOOT = 12


def rpm_limit(blade_in: float) -> float:
    """Return the engine speed at which the tip of a blade of this length reaches the tip-speed limit, rpm.

    >>> round(rpm_limit(21))
    3456
    """
    return TIP_SPEED_LIMIT_FT_MIN * _INCHES_PER_FOOT / (pi * blade_in)


def tip_speed(blade_in: float, rpm: float) -> float:
    """Return the speed of a blade tip, feet a minute: pi d rpm / 12."""
    return pi * blade_in * rpm / _INCHES_PER_FOOT


def roll_pull(readings: Readings) -> float | None:
    """Return the mean pull to roll the machine, kgf."""
    return fmean(readings.roll_pull_kgf) if readings.roll_pull_kgf else None


def worst_blade_stop(readings: Readings) -> float | None:
    """Return the slowest blade stop, seconds: the worst run counts."""
    return max(readings.blade_stop_s) if readings.blade_stop_s else None


def wet_rise(readings: Readings) -> float | None:
    """Return how far a spoon of oil raised the compression, psi."""
    if readings.compression_psi is None or readings.wet_compression_psi is None:
        return None
    return readings.wet_compression_psi - readings.compression_psi


def least_lash(readings: Readings) -> float | None:
    """Return the smaller valve clearance that was measured, mm."""
    measured = [lash for lash in (readings.intake_lash_mm, readings.exhaust_lash_mm) if lash is not None]
    return min(measured, default=None)


def compression(readings: Readings, release: Release) -> float | None:
    """Return the compression if the release is known to be so, psi: unknown is no ground to judge."""
    return readings.compression_psi if readings.compression_release == release else None


def reading_value(readings: Readings, name: str) -> float | str | bool | None:
    """Return a reading, or a quantity derived from several, by name; None when it is not known.

    Of several runs the worst blade stop and the mean rolling pull count.
    """
    derived: Mapping[str, Callable[[Readings], float | None]] = {
        "wet_rise_psi": wet_rise,
        "least_lash_mm": least_lash,
        "compression_without_release_psi": lambda known: compression(known, "none"),
        "compression_with_release_psi": lambda known: compression(known, "fitted"),
        "roll_pull_kgf": roll_pull,
        "blade_stop_s": worst_blade_stop,
    }
    if name in derived:
        return derived[name](readings)
    value: float | str | bool | None = getattr(readings, name)
    return value


def is_reading(name: str) -> bool:
    """Say whether `reading_value` knows the name."""
    return name in _DERIVED or name in Readings.model_fields


def holds(
    readings: Readings,
    name: str,
    *,
    below: float | None = None,
    at_least: float | None = None,
    equals: str | bool | None = None,
) -> bool:
    """Say whether a reading is known and is as told; a reading that is not known never is."""
    value = reading_value(readings, name)
    if value is None:
        return False
    if equals is not None:
        return value == equals
    if isinstance(value, bool | str):
        return False
    return (below is None or value < below) and (at_least is None or value >= at_least)
