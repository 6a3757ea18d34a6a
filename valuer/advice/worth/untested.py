"""What nobody looked for: untested is not sound, and not found either.

Every fault that a machine can have and that nobody looked for counts at its chance. The chances are the shares
of the catalogue: among running machines listed where it is known to run, else among machines taken in; old
machines and those kept outside have more, young ones fewer.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.domain.faults import fault_catalogue
from valuer.domain.looked_for import looked_for, possible_faults, seen_running
from valuer.domain.machine import Finding, Machine

SERIOUS = 0.4
"""Share of faults on machines taken in that are serious (judgement, no source)."""

UNNOTICED = 0.15
"""Share of a fault's chance that counts where nobody looked: most faults are noticed without being looked for, so
a machine that nobody looked over brings about a tenth less than one looked over (judgement, no source: a runner
not shown cold brings 7 % less)."""

USUAL_AGE, SLOPE = 8.0, 0.5
"""Age, years, at which the shares of the catalogue hold, and the power of age by which they grow (judgement)."""

OUTSIDE = 1.5
"""Shares of rust, cables and wheels on machines kept outside, over the usual (judgement, no source)."""

WEATHERED = frozenset({"deck", "controls", "wheels"})


@dataclass(frozen=True, slots=True)
class Unseen:
    """What nobody looked for: the faults, the share of the price that is left, and its spread in logs."""

    faults: tuple[str, ...]
    share: float
    spread: float


def unseen_faults(machine: Machine, found: Sequence[Finding]) -> tuple[tuple[Finding, float], ...]:
    """Return the faults that nobody looked for, each as it would mostly be, with its chance."""
    names = not_looked_for(machine, found)
    chances = chances_of(names, machine, runs=runs_for_sure(machine, found))
    return tuple(zip((_mostly()[name] for name in names), chances, strict=True))


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


def chances_of(
    faults: Sequence[str], machine: Machine, *, runs: bool, counted: float = UNNOTICED
) -> list[float]:
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


@cache
def _mostly() -> Mapping[str, Finding]:
    """Each fault as it would mostly be."""
    return {fault.id: Finding(fault.id, fault.severities[0]) for fault in fault_catalogue().values()}


def unseen_of(faults: Sequence[tuple[Finding, float]], left: FloatArray) -> Unseen:
    """Return what the unseen faults leave of the price. ``left``, shape (n,), is the share each alone leaves."""
    if not faults:
        return Unseen((), 1.0, 0.0)
    chance = np.array([share for _, share in faults])
    log = np.log(np.clip(left, 1e-6, 1.0))
    share = float(np.prod(1 - chance * (1 - np.exp(log))))
    spread = float(np.sqrt((chance * (1 - chance) * log**2).sum()))
    return Unseen(tuple(item.fault for item, _ in faults), share, spread)
