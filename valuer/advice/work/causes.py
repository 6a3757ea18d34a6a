"""A symptom whose cause is not known: what each cause would have us do, and what finding out is worth."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.bay import Bay, bay_of
from valuer.advice.work.clusters import Case
from valuer.advice.work.information import net_of, payoff_table
from valuer.advice.work.policies import Workshop, policies_for
from valuer.advice.work.search import best_plan
from valuer.advice.worth.documents import Value
from valuer.advice.worth.lattice import Lattice, Scene
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding
from valuer.domain.shop import ShopTerms
from valuer.domain.symptoms import Cause, Symptom, likelihood, looks, posterior, symptom_for


@dataclass(frozen=True, slots=True)
class Unknown:
    """A finding whose cause is not known, with the chances of its causes (in the symptom's order)."""

    axis: int
    finding: Finding
    symptom: Symptom
    beliefs: Mapping[str, float]


def unknowns(scene: Scene, seen: Mapping[str, str]) -> tuple[Unknown, ...]:
    """Return the symptoms of a machine whose cause is open, after its readings and the looks already taken.

    ``seen`` maps looks to what they showed. A symptom is closed when its cause stands beside it.
    """
    names = {item.fault for item in scene.findings}
    found = []
    for axis, item in enumerate(scene.findings):
        symptom = symptom_for(item.fault)
        if symptom is None or item.chance < 1 or not names.isdisjoint(fault_catalogue()[item.fault].causes):
            continue
        own = {name: shown for name, shown in seen.items() if name in {look.id for look in looks(symptom)}}
        beliefs = posterior(symptom, scene.machine.readings, own)
        found.append(Unknown(axis, item, symptom, {name: p for name, p in beliefs.items() if p > 0}))
    return tuple(found)


def scene_with(scene: Scene, unknown: Unknown, cause: Cause) -> Scene:
    """Return the scene once the cause is known: its fault stands in the symptom's place, on the same axis.

    Where the cause has no fault of its own, or its fault is on the machine already, the symptom's name stays.
    """
    others = {item.fault for item in scene.findings if item is not unknown.finding}
    if cause.fault is None or cause.fault in others:
        return scene
    severities = fault_catalogue()[cause.fault].severities
    wanted = unknown.finding.severity
    named = Finding(cause.fault, wanted if wanted in severities else severities[-1])
    return Scene(
        scene.machine,
        tuple(named if place == unknown.axis else item for place, item in enumerate(scene.findings)),
    )


def case_of_cause(bay: Bay, unknown: Unknown, cause: Cause) -> Case:
    """Return the case in which this is the cause: the fixes then have the odds that belong to it."""
    axis, shop = unknown.axis, bay.case.shop
    likely = np.zeros(len(shop.names))
    for fix, chance in cause.fixes.items():
        if fix in shop.names:
            likely[shop.names.index(fix)] = chance.likely
    return _with_odds(bay.case, axis, likely, bay.lattice.findings[axis].fault, shop)


def _with_odds(case: Case, axis: int, likely: FloatArray, fault: str, shop: Workshop) -> Case:
    odds = case.odds.copy()
    odds[axis] = likely
    policies, causes = list(case.policies), list(case.causes)
    policies[axis] = policies_for(shop, fault, likely.tobytes())
    causes[axis] = ()
    return replace(case, odds=odds, policies=tuple(policies), causes=tuple(causes))


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """What acts bring under each cause: payoffs (n_acts, n_causes) in money left, beliefs (n_causes,)."""

    causes: tuple[str, ...]
    beliefs: FloatArray
    payoffs: FloatArray


def cause_table(
    bay: Bay, known: Sequence[Lattice], unknown: Unknown, terms: ShopTerms, value: Value
) -> Table:
    """Return the payoffs of the acts worth comparing: the best for each cause, and the best for the mixture.

    ``known`` are the lattices with each cause in the symptom's place. An act for a cause that is not the true
    one never counts for more than the best act for the true one: what ignorance seems to gain, because buyers
    fear less than what is there, comes back.
    """
    causes = [unknown.symptom.causes[name] for name in unknown.beliefs]
    beliefs = np.array(list(unknown.beliefs.values()))
    told = [
        case_of_cause(bay_of(lattice, value, terms, bay.case.shop), unknown, cause)
        for lattice, cause in zip(known, causes, strict=True)
    ]
    blind = [case_of_cause(bay, unknown, cause) for cause in causes]
    mixture = _mixture(bay, unknown, blind, beliefs)
    best = [best_plan(case) for case in told]
    payoffs = payoff_table(blind, [*best, best_plan(mixture), best_plan(bay.case)])
    sure = np.array([net_of(case, plan) for case, plan in zip(told, best, strict=True)])
    payoffs = np.minimum(payoffs, sure)
    payoffs[range(len(best)), range(len(best))] = sure
    return Table(tuple(unknown.beliefs), beliefs, payoffs)


def _mixture(bay: Bay, unknown: Unknown, cases: Sequence[Case], beliefs: FloatArray) -> Case:
    likely = np.asarray(beliefs @ np.array([case.odds[unknown.axis] for case in cases]))
    return _with_odds(bay.case, unknown.axis, likely, unknown.finding.fault, bay.case.shop)


def outcome_table(
    symptom: Symptom, look_id: str, causes: Sequence[str]
) -> tuple[tuple[str, ...], FloatArray]:
    """Return a look's outcomes and their chances under each cause, shape (n_outcomes, n_causes)."""
    look = next(look for look in looks(symptom) if look.id == look_id)
    outcomes = tuple(look.outcomes)
    return outcomes, np.array(
        [[likelihood(look, outcome, cause) for cause in causes] for outcome in outcomes]
    )
