"""Checks other than looks for a cause: safety checks not done, attributes not known, readings in doubt."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from pydantic import ValidationError

from valuer.advice.work.bay import Bay
from valuer.advice.work.clusters import Case
from valuer.advice.work.information import net_of, payoff_table, perfect_information
from valuer.advice.work.routes import leaving
from valuer.advice.work.search import best_plan
from valuer.advice.worth.lattice import Lattice, Scene, with_doubt
from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Finding, Machine, parse_finding, with_changes
from valuer.domain.shop import ShopTerms

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
"""Minutes to take a reading again, or a safety check that is not listed (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Attribute:
    """An attribute that may be unknown: minutes to find out, and the shares of its values, which sum to 1."""

    name: str
    how: str
    minutes: float
    shares: Mapping[object, float]


ATTRIBUTES = (
    Attribute(
        "age_years",
        "find out the age: date code on the engine, papers, the seller",
        5,
        {2.0: 0.2, 5.0: 0.3, 8.0: 0.25, 12.0: 0.25},
    ),
    Attribute(
        "tier",
        "find out the price class: what a comparable new machine costs",
        5,
        {"budget": 0.3, "mid": 0.45, "premium": 0.2, "commercial": 0.05},
    ),
    Attribute(
        "drive",
        "look how it is driven",
        1,
        {"push": 0.4, "front_one_speed": 0.15, "front_variable": 0.15, "rear_variable": 0.3},
    ),
    Attribute(
        "engine_class",
        "find out the engine: label, valve cover",
        3,
        {"side_valve": 0.15, "small_ohv": 0.3, "mid_ohv": 0.4, "large_ohv": 0.15},
    ),
    Attribute(
        "deck_material", "hold a magnet to the deck", 1, {"steel": 0.85, "aluminium": 0.1, "composite": 0.05}
    ),
    Attribute("start", "look for an electric starter", 1, {"rope": 0.85, "electric": 0.15}),
    Attribute("looks", "look at it in daylight", 2, {"rough": 0.3, "used": 0.5, "clean": 0.2}),
    Attribute("deck_width_in", "measure the deck", 2, {20.0: 0.2, 21.0: 0.5, 22.0: 0.25, 28.0: 0.05}),
)
"""Shares among machines offered by private sellers (common practice, no source), minutes (judgement)."""

PRICING_LOSS = 0.5
"""Share of the value lost by an ask that is off, per squared relative error (judgement, no source): asking 20
% wrong costs about 2 % of the price in waiting or in money left on the table."""


@dataclass(frozen=True, slots=True)
class Worth:
    """What a check is worth: ``looking`` and ``perfect`` are expected money, its cost not off."""

    looking: float
    perfect: float


def gate_scene(scene: Scene, gate: str) -> Scene:
    """Return the scene in which a safety check that was not done would fail."""
    failed = parse_finding(gate_catalogue()[gate].failed_means)
    others = tuple(item for item in scene.findings if item.fault != failed.fault)
    return Scene(scene.machine, (*others, failed))


def gate_worth(bay: Bay, gate: str) -> Worth:
    """Return what a safety check is worth, all others taken as passed.

    ``bay`` has the failed check's fault on its last axis. Unchecked, the machine goes for what one with that
    fault goes for; checked, it is a working machine or the fault can be cured. The check tells for sure.
    """
    fault, failing = parse_finding(gate_catalogue()[gate].failed_means).fault, bay.case
    if not bay.lattice.findings or bay.lattice.findings[-1].fault != fault:
        return Worth(0.0, 0.0)  # one of more faults than are weighed
    chance = sum(fault_catalogue()[fault].intake) / 2
    passed, unproven = (_without_last(failing, left) for left in (0, 1))
    best = [net_of(case, best_plan(case)) for case in (passed, failing, unproven)]
    worth = max(0.0, (1 - chance) * best[0] + chance * best[1] - best[2])
    return Worth(worth, worth)


def _without_last(case: Case, left: int) -> Case:
    """Return the case with its last fault settled: gone (0) or in to stay (1)."""
    last = len(case.policies) - 1
    return replace(
        case,
        proceeds=case.proceeds[..., left],
        chances=case.chances[:-1],
        odds=case.odds[:-1],
        policies=case.policies[:-1],
        causes=tuple(tuple(axis for axis in causes if axis != last) for causes in case.causes[:-1]),
        forced=case.forced - {last},
    )


def attribute_scenes(scene: Scene, attribute: Attribute) -> list[tuple[float, Scene]]:
    """Return share and scene of each value the attribute may have on this machine; shares sum to 1."""
    possible = []
    for value, share in attribute.shares.items():
        machine = _with_value(scene.machine, attribute.name, value)
        if machine is not None:
            possible.append((share, Scene(machine, scene.findings)))
    total = sum(share for share, _ in possible)
    return [(share / total, found) for share, found in possible]


def _with_value(machine: Machine, name: str, value: object) -> Machine | None:
    try:
        return with_changes(machine, **{name: value})
    except ValidationError:  # faults on the machine rule this value out
        return None


def attribute_worth(bays: list[tuple[float, Bay]]) -> Worth:
    """Return what knowing an attribute is worth: a better plan, and an ask that fits.

    ``bays`` are the machine with each value the attribute may have, and how likely it is.
    """
    shares = np.array([share for share, _ in bays])
    cases = [bay.case for _, bay in bays]
    payoffs = payoff_table(cases, [best_plan(case) for case in cases])
    values = np.array([bay.lattice.now for _, bay in bays])
    mean = float(shares @ values)
    spread = float(shares @ (values / mean - 1) ** 2)
    worth = perfect_information(payoffs, shares) + PRICING_LOSS * mean * spread
    return Worth(worth, worth)


def doubt_worth(bay: Bay, axis: int, terms: ShopTerms) -> Worth:
    """Return what measuring a doubtful fault again is worth; the new reading is taken as clear."""
    chance = bay.lattice.findings[axis].chance
    cases = [_settled(bay, axis, there, terms) for there in (1.0, 0.0)]
    acts = [best_plan(cases[0]), best_plan(cases[1]), best_plan(bay.case)]
    worth = perfect_information(payoff_table(cases, acts), np.array([chance, 1 - chance]))
    return Worth(worth, worth)


def _settled(bay: Bay, axis: int, there: float, terms: ShopTerms) -> Case:
    """Return the case in which a doubtful fault is there for sure (1) or not there (0)."""
    lattice = bay.lattice
    found = list(lattice.findings)
    found[axis] = Finding(found[axis].fault, found[axis].severity, there)
    values = with_doubt(lattice.certain, [item.chance for item in found])
    settled: Lattice = replace(lattice, findings=tuple(found), values=values)
    chances = bay.case.chances.copy()
    chances[axis] = there
    return replace(bay.case, proceeds=leaving(settled, terms).proceeds, chances=chances)
