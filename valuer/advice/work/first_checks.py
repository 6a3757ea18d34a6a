"""Safety checks: the minutes each takes, and those that come before any money because failing them ends a machine."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from valuer.advice.work.done import Done
from valuer.advice.worth.lattice import Lattice
from valuer.advice.worth.named import causes_of, open_symptom, posterior_of, shown_about
from valuer.advice.worth.untested import share_of
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Finding, parse_finding

GATE_MINUTES: Mapping[str, float] = {
    "recall": 5,
    "bail": 1,
    "blade_stop": 10,
    "shields": 2,
    "fuel": 10,
    "blade_and_mount": 15,
    "crank": 20,
    "engine_speed": 5,
    "drive_releases": 3,
    "deck": 10,
    "handle": 2,
    "muffler": 3,
}
"""Hands-on minutes of each safety check, without waiting (judgement, no source)."""

OTHER_MINUTES = 10.0


@dataclass(frozen=True, slots=True)
class First:
    """A check that comes before any money is spent, because failing it ends the machine or nearly.

    ``fails`` is the chance that it does, ``left`` the money then left, its own best list followed, ``route`` the
    likeliest way out then, its place in `ROUTES`.
    """

    gate: str
    hours: float
    fails: float
    left: float
    route: int


def gain_with(firsts: Sequence[First], hour_value: float, now: float, inner: float) -> float:
    """Return the gain of checks done one after another and of what follows when all are passed, money."""
    gain, still = 0.0, 1.0
    for first in firsts:
        gain += still * (first.fails * (first.left - now) - hour_value * first.hours)
        still *= 1 - first.fails
    return gain + still * inner


ENDS_IT = ("recall", "crank")
"""Safety checks that end a machine when they fail: no money is spent before they are passed."""


def risks(lattice: Lattice, done: Done, unchecked: Sequence[str]) -> list[tuple[str, float]]:
    """Return the open checks that can end the machine, with the chance that they do.

    The crank is measured where something was struck or may have been; its chance is then that of the symptom's
    causes, or the share of machines taken in.
    """
    found = []
    for gate in ENDS_IT:
        if gate not in unchecked:
            continue
        fault = parse_finding(gate_catalogue()[gate].failed_means).fault
        if any(item.fault == fault for item in (*lattice.findings, *lattice.held)):
            continue
        chances = [_behind(item, fault, lattice, done) for item in lattice.findings]
        found.append((gate, max([share_of(fault, runs=False), *chances])))
    return found


def check_hours(gates: Iterable[str]) -> float:
    """Return the hours that some safety checks take."""
    return sum(GATE_MINUTES.get(gate, OTHER_MINUTES) for gate in gates) / 60


def _behind(item: Finding, fault: str, lattice: Lattice, done: Done) -> float:
    """Return the chance that a fault is behind a symptom, after readings and looks."""
    symptom, machine = open_symptom(item), lattice.machine
    if symptom is None or item.fault in done.cured:
        return 0.0
    if item.fault in machine.causes:
        return float(symptom.causes[machine.causes[item.fault]].fault == fault)
    shown = shown_about(item, symptom, done.seen, machine.readings)
    beliefs = posterior_of(symptom, causes_of(item, symptom, machine), shown)
    return sum(p for name, p in beliefs.items() if symptom.causes[name].fault == fault)
