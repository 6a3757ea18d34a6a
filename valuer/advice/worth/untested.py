"""What nobody looked for: untested is not sound, and not found either.

A price counts it as buyers do, which the model has learned from what tested and untested machines bring. Who fetches
one may find any fault that it can have and that nobody looked for. The chances are the shares of the catalogue: among
running machines listed where it is known to run, else among machines taken in; old machines and those kept outside
have more, young ones fewer.
"""

from collections.abc import Collection, Mapping, Sequence
from functools import cache

from valuer.domain.faults import fault_catalogue
from valuer.domain.looked_for import looked_for, possible_faults, seen_running
from valuer.domain.machine import Finding, Machine

SERIOUS = 0.4
"""Share of faults on machines taken in that are serious (judgement, no source)."""

USUAL_AGE, SLOPE = 8.0, 0.5
"""Age, years, at which the shares of the catalogue hold, and the power of age by which they grow (judgement)."""

OUTSIDE = 1.5
"""Shares of rust, cables and wheels on machines kept outside, over the usual (judgement, no source)."""

WEATHERED = frozenset({"deck", "controls", "wheels"})


def not_looked_for(
    machine: Machine, found: Sequence[Finding], sound: Collection[str] = ()
) -> tuple[str, ...]:
    """Return the faults nobody has looked for: possible here, not listed, not measured, not named sound.

    What a found fault hides, as a dead engine hides smoke, is in that fault's price already.
    """
    if machine.looked_over:
        return ()
    listed = {item.fault for item in found}.union(sound)
    hidden = (fault_catalogue()[item.fault].hides for item in found)
    # What explains a listed fault, or is explained by it, is the same loss again.
    known = listed.union(looked_for(machine), *hidden, *(_kin()[fault] for fault in listed))
    return tuple(name for name in possible_faults(machine) if name not in known)


@cache
def _kin() -> Mapping[str, frozenset[str]]:
    """The causes of each fault, and the faults that it is a cause of."""
    every = fault_catalogue().values()
    return {
        fault.id: frozenset(fault.causes) | {other.id for other in every if fault.id in other.causes}
        for fault in every
    }


def has_cause_in(fault: str, others: Collection[str]) -> bool:
    """Say whether one of the others brings the fault about: cause and symptom are one loss."""
    return any(cause in others for cause in fault_catalogue()[fault].causes)


def runs_for_sure(machine: Machine, found: Sequence[Finding], sound: Collection[str] = ()) -> bool:
    """Say whether the machine is known to run: a reading of a running engine, or somebody looked.

    An old reading does not revive a machine that will not start.
    """
    dead = any(item.fault == "no_start" for item in found)
    return not dead and ("no_start" in sound or seen_running(machine))


def chances_of(faults: Sequence[str], machine: Machine, *, runs: bool, counted: float) -> list[float]:
    """Return the chances that faults are there that nobody looked for; ``counted`` is the share that counts."""
    age = machine.age_years if machine.age_years is not None else USUAL_AGE
    usual = counted * float((age / USUAL_AGE) ** SLOPE)
    weathered = usual * OUTSIDE if machine.kept == "outside" else usual
    return [
        min(0.9, (weathered if fault in _weathered() else usual) * share_of(fault, runs=runs))
        for fault in faults
    ]


@cache
def _weathered() -> frozenset[str]:
    return frozenset(fault.id for fault in fault_catalogue().values() if fault.group in WEATHERED)


@cache
def share_of(fault: str, *, runs: bool) -> float:
    """Return the share of machines that have a fault: of running ones listed, or of those taken in."""
    entry = fault_catalogue()[fault]
    return sum(entry.listed if runs else entry.intake) / 2
