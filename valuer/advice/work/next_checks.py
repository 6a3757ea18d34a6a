"""Go on, sell as it stands, break or scrap; and which check earns most per minute if we go on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from valuer.advice.ports import ValueModel
from valuer.advice.work.bay import Bay, bay_of
from valuer.advice.work.causes import Table, Unknown, cause_table, outcome_table, scene_with, unknowns
from valuer.advice.work.checks import (
    ATTRIBUTES,
    GATE_MINUTES,
    OTHER_MINUTES,
    Attribute,
    Worth,
    attribute_scenes,
    attribute_worth,
    doubt_worth,
    gate_scene,
    gate_worth,
)
from valuer.advice.work.decision_documents import (
    CauseChance,
    CheckKind,
    Course,
    NextCheck,
    NextChecks,
    SymptomCauses,
)
from valuer.advice.work.done import Done, without
from valuer.advice.work.information import perfect_information, value_of_looking
from valuer.advice.work.policies import Workshop, usual_workshop
from valuer.advice.work.routes import ROUTES
from valuer.advice.work.search import Plan, best_plan
from valuer.advice.worth.common import cautions, leaving_actions, ranges, safety_of, warnings_for
from valuer.advice.worth.documents import Value
from valuer.advice.worth.lattice import Lattice, Scene, lattices, scene_of
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.readings import Readings
from valuer.domain.shop import ShopTerms
from valuer.domain.symptoms import Look, answered, looks

MINUTES = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Imagined:
    """The scenes that a machine's open questions ask for, in the order in which their lattices come back."""

    now: Scene
    causes: tuple[tuple[Unknown, tuple[Scene, ...]], ...]
    gates: tuple[tuple[str, Scene], ...]
    attributes: tuple[tuple[Attribute, tuple[tuple[float, Scene], ...]], ...]

    def scenes(self) -> list[Scene]:
        """Return all scenes."""
        return [
            self.now,
            *(scene for _, known in self.causes for scene in known),
            *(scene for _, scene in self.gates),
            *(scene for _, values in self.attributes for _, scene in values),
        ]


def next_checks(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    seen: Mapping[str, Mapping[str, str]] | None = None,
    done: Mapping[str, Done] | None = None,
    shop: Workshop | None = None,
) -> tuple[NextChecks, ...]:
    """Return what to look at next on each machine, in the order asked; all values from one call of the model.

    ``seen`` holds, by machine id, what looks showed (look id to outcome); ``done`` how work went so far;
    ``shop`` the fixes with their odds and hours, as in the catalogue where it is not given.
    """
    shown, work, shop = seen or {}, done or {}, shop or usual_workshop()
    imagined = [
        _imagined(without(scene_of(m, terms), work.get(m.id)), terms, shown.get(m.id, {})) for m in machines
    ]
    every = list(lattices([scene for item in imagined for scene in item.scenes()], model, terms))
    answers = []
    for item in imagined:
        count = len(item.scenes())
        mine, every = every[:count], every[count:]
        value = ranges(mine[:1], model, terms)[0]
        bay = bay_of(mine[0], value, terms, shop, work.get(item.now.machine.id))
        answers.append(_answer(item, mine, Desk(bay, terms, shop, value), model))
    return tuple(answers)


def _imagined(scene: Scene, terms: ShopTerms, seen: Mapping[str, str]) -> Imagined:
    open_causes = unknowns(scene, seen)
    gates = [gate for gate in safety_of(scene.machine, terms).unchecked if not _in_doubt(scene, gate)]
    missing = [item for item in ATTRIBUTES if getattr(scene.machine, item.name) is None]
    return Imagined(
        now=scene,
        causes=tuple(
            (u, tuple(scene_with(scene, u, u.symptom.causes[name]) for name in u.beliefs))
            for u in open_causes
        ),
        gates=tuple((gate, gate_scene(scene, gate)) for gate in gates),
        attributes=tuple((item, tuple(attribute_scenes(scene, item))) for item in missing),
    )


def _in_doubt(scene: Scene, gate: str) -> bool:
    return any(item.fault in gate_catalogue()[gate].faults for item in scene.findings)


@dataclass(frozen=True, slots=True, eq=False)
class Desk:
    """What an answer about one machine is worked out with."""

    bay: Bay
    terms: ShopTerms
    shop: Workshop
    value: Value

    def lattice_bay(self, lattice: Lattice) -> Bay:
        """Return the bay of the machine as it would be."""
        return bay_of(lattice, self.value, self.terms, self.shop)


def _answer(item: Imagined, every: Sequence[Lattice], desk: Desk, model: ValueModel) -> NextChecks:
    bay, terms = desk.bay, desk.terms
    checks = sorted(_checks(item, every[1:], desk), key=lambda check: -check.value_per_minute)
    plan = best_plan(bay.case)
    verdict, reason = _course(bay, plan, checks)
    safety = safety_of(item.now.machine, terms, bay.cured)
    return NextChecks(
        id=item.now.machine.id,
        value=desk.value,
        verdict=verdict,
        reason=reason,
        checks=tuple(checks),
        symptoms=tuple(_symptom(unknown) for unknown, _ in item.causes),
        hour_value=terms.hour_value,
        safety=safety,
        cautions=cautions((*_actions(checks), *leaving_actions(safety))),
        warnings=warnings_for(every[0], model, terms),
        basis=model.basis,
    )


def _checks(item: Imagined, every: Sequence[Lattice], desk: Desk) -> list[NextCheck]:
    rest = list(every)
    checks: list[NextCheck] = []
    for unknown, scenes in item.causes:
        known, rest = rest[: len(scenes)], rest[len(scenes) :]
        table = cause_table(desk.bay, known, unknown, desk.terms, desk.value)
        checks += _cause_checks(unknown, table, item.now.machine.readings, desk.terms)
    for gate, _ in item.gates:
        checks.append(_gate_check(gate, gate_worth(desk.lattice_bay(rest.pop(0)), gate), desk.terms))
    for attribute, values in item.attributes:
        bays = [(share, desk.lattice_bay(rest.pop(0))) for share, _ in values]
        checks.append(_attribute_check(attribute, values, attribute_worth(bays), desk.terms))
    for axis, finding in enumerate(desk.bay.lattice.findings):
        if finding.chance < 1:
            checks.append(_doubt_check(finding.fault, doubt_worth(desk.bay, axis, desk.terms), desk.terms))
    return checks


def _cause_checks(unknown: Unknown, table: Table, readings: Readings, terms: ShopTerms) -> list[NextCheck]:
    perfect = perfect_information(table.payoffs, table.beliefs)
    checks = []
    for look in looks(unknown.symptom):
        if answered(look, readings) is None:
            outcomes, chances = outcome_table(unknown.symptom, look.id, table.causes)
            worth = Worth(value_of_looking(table.payoffs, table.beliefs, chances), perfect)
            checks.append(_cause_check(unknown, look, outcomes, worth, terms))
    return checks


def _cause_check(
    unknown: Unknown, look: Look, outcomes: Sequence[str], worth: Worth, terms: ShopTerms
) -> NextCheck:
    return _check(
        look.id,
        "cause",
        f"{unknown.symptom.name}: {look.name}",
        (look.hours * MINUTES, look.parts * terms.price_level),
        tuple(outcomes),
        worth,
        terms,
    )


def _gate_check(gate: str, worth: Worth, terms: ShopTerms) -> NextCheck:
    minutes = GATE_MINUTES.get(gate, OTHER_MINUTES)
    name = f"Safety check, needed before any sale as working: {gate_catalogue()[gate].test}"
    return _check(gate, "safety", name, (minutes, 0.0), ("passed", "failed"), worth, terms)


def _attribute_check(
    attribute: Attribute, values: Sequence[tuple[float, Scene]], worth: Worth, terms: ShopTerms
) -> NextCheck:
    shows = tuple(str(getattr(scene.machine, attribute.name)) for _, scene in values)
    return _check(attribute.name, "attribute", attribute.how, (attribute.minutes, 0.0), shows, worth, terms)


def _doubt_check(fault: str, worth: Worth, terms: ShopTerms) -> NextCheck:
    return _check(
        fault, "reading", f"Measure {fault} again", (OTHER_MINUTES, 0.0), ("there", "not there"), worth, terms
    )


def _check(
    check: str,
    kind: CheckKind,
    name: str,
    cost: tuple[float, float],
    shows: tuple[str, ...],
    worth: Worth,
    terms: ShopTerms,
) -> NextCheck:
    minutes, cash = cost
    left = worth.looking - cash - minutes / MINUTES * terms.hour_value
    pays = left > terms.margin
    must = kind == "safety"
    return NextCheck(
        check=check,
        kind=kind,
        name=name,
        minutes=minutes,
        cash=cash,
        shows=shows,
        value_of_looking=worth.looking,
        perfect_information=worth.perfect,
        expected_return=left,
        value_per_minute=round((worth.looking - cash) / max(minutes, 1.0), 4),
        verdict="not worth doing" if not pays else "must be done" if must else "worth doing",
        reason=_why(worth, cash + minutes / MINUTES * terms.hour_value, must=must and pays),
    )


def _why(worth: Worth, cost: float, *, must: bool) -> str:
    if must:
        return "Unmeasured is not passed: without it the machine may only go for repair or for parts."
    if worth.looking <= 0:
        return "Whatever it shows, the same work would follow."
    return f"Deciding after it brings {worth.looking:.2f} on average for {cost:.2f} of cash and own time."


def _course(bay: Bay, plan: Plan, checks: Sequence[NextCheck]) -> tuple[Course, str]:
    """Return whether to go on, and why: by a look that pays, by work that pays, else by the best way out."""
    looking = [check for check in checks if check.verdict == "worth doing"]
    if plan.works:
        return "go on", f"The best plan brings {plan.returns:.0f} more than leaving the machine as it is."
    if looking:
        best = max(looking, key=lambda check: check.expected_return)
        return "go on", f"First look: {best.name}; it is worth {best.value_of_looking:.0f}."
    route = ROUTES[int(bay.out.route[(1,) * bay.out.route.ndim])]
    if route == "for parts":
        return "break for parts", "No work and no look pays, and its parts bring more than the whole."
    if route == "scrap":
        return "scrap", "No work and no look pays, and nobody would buy it or its parts for what that costs."
    return "sell as it stands", "No work and no look brings more than it costs."


def _symptom(unknown: Unknown) -> SymptomCauses:
    causes = unknown.symptom.causes
    order = sorted(unknown.beliefs.items(), key=lambda item: -item[1])
    return SymptomCauses(
        fault=unknown.finding.fault,
        causes=tuple(
            CauseChance(cause=name, name=causes[name].name, chance=chance, fault=causes[name].fault)
            for name, chance in order
        ),
    )


def _actions(checks: Sequence[NextCheck]) -> list[str]:
    """Return the words under which the cautions of these checks are kept."""
    words = {"cause": "hands_on", "safety": "sale_gate", "reading": "hands_on"}
    found = [words[check.kind] for check in checks if check.kind in words]
    return [*found, *("run_engine" for check in checks if check.check in {"blade_stop", "engine_speed"})]
