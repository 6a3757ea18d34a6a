"""The work list of a machine: what to do, step by step, made from the decision itself and from all of it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from valuer.advice.ports import ValueModel
from valuer.advice.work.beliefs import Riddle
from valuer.advice.work.board import Act
from valuer.advice.work.course import Course, Going, Stage, course_of
from valuer.advice.work.documents import (
    CauseChance,
    End,
    GateStep,
    OtherStep,
    Part,
    StepResult,
    SymptomCauses,
    Then,
    Verdict,
    WayNow,
    WorkList,
    WorkStep,
)
from valuer.advice.work.done import Done
from valuer.advice.work.first_checks import GATE_MINUTES, OTHER_MINUTES, First, check_hours, gain_with
from valuer.advice.work.hours import by_hour
from valuer.advice.work.job import Job, jobs
from valuer.advice.work.questions import questions_about
from valuer.advice.work.tree import SAME, Tree
from valuer.advice.work.trouble import CURED, plain_trouble
from valuer.advice.work.ways_out import FOR_PARTS, ROUTES, SCRAP, SCRAP_HOURS, STRIPPING_HOURS, WORKING
from valuer.advice.work.workshop import Workshop
from valuer.advice.worth.common import (
    cautions,
    leaving_actions,
    noise,
    safety_of,
    season_warnings,
    warnings_for,
)
from valuer.domain.faults import fault_catalogue
from valuer.domain.fixes import between, fix_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.going import each_of
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms, selling_hours, storage_cost
from valuer.domain.symptoms import look_actions, looks, symptom_for

MINUTES = 60.0
PASSED, FAILED = "passed", "failed"
EXACT = "exact: every state of the machine, every act from it"
NARROWED = (
    "at each state the looks and fixes that promise most are followed; the gap is what knowing each cause for sure, "
    "and curing what was left out for want of room, would bring beyond that, so no list can bring more"
)


def work_lists(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop | None = None,
    done: Mapping[str, Done] | None = None,
    hour_values: Sequence[float] | None = None,
) -> tuple[WorkList, ...]:
    """Return the work list of each machine, in the order asked; all values from one call of the model.

    ``done`` tells, by machine id, how work went and what looks showed: the list goes on from there. With
    ``hour_values`` it is also told how the list changes with the worth of an hour, at the usual values when
    empty. The terms' limits on hours and cash hold.
    """
    every = jobs(machines, model, terms, shop, done)
    lists = tuple(work_list(course_of(job), model) for job in each_of(every, "machine"))
    if hour_values is None:
        return lists
    return tuple(
        each.model_copy(
            update=dict(
                zip(("by_hour_value", "switch_points"), by_hour(job, model, hour_values), strict=True)
            )
        )
        for each, job in zip(lists, each_of(every, "machine"), strict=True)
    )


def work_list(course: Course, model: ValueModel) -> WorkList:
    """Return the work list that a course is."""
    job = course.job
    safety = safety_of(job.machine, job.terms, job.done.cured)
    steps = steps_of(course)
    gap = gap_of(job)
    verdict, summary = _verdict(course, steps, recalled="recall_open" in safety.must_cure)
    return WorkList(
        id=job.machine.id,
        called=job.machine.called,
        value=job.value,
        safety=safety,
        cautions=cautions(leaving_actions(safety)),
        warnings=warnings_for(job.lattice, model, job.terms),
        basis=model.basis,
        verdict=verdict,
        summary=summary,
        left_now=job.now,
        left=course.left,
        expected_return=course.returns,
        bench_hours=course.hours,
        cash=course.cash,
        worst_hours=course.worst_hours,
        worst_cash=course.worst_cash,
        value_after=course.value_after,
        chance_of_loss=course.chance_of_loss(noise(job.value)),
        sold_as=course.likeliest,
        steps=steps,
        ends=_ends(course),
        ways_now=_ways_now(job),
        before_sale=_before_sale(job),
        left_and_disclosed=left_in(course),
        others=_others(course, steps),
        symptoms=_symptoms(job),
        questions=questions_about(job, model),
        hour_value=job.terms.hour_value,
        margin=job.terms.margin,
        method=_method(job, gap),
        gap=gap,
    )


# --------------------------------------------------------------------------------------------------- the steps
def steps_of(course: Course) -> tuple[WorkStep, ...]:
    """Return the steps of a course in working order, the checks that come first before all."""
    if not course.works:
        return ()
    firsts = course.job.firsts
    numbers = {stage.act.id: len(firsts) + place for place, stage in enumerate(course.stages, start=1)}
    without = _without(course)
    hour, still, found = course.job.terms.hour_value, 1.0, []
    inner = course.inner.left(hour)
    for place, first in enumerate(firsts, start=1):
        rest = gain_with(firsts[place:], hour, course.job.now, inner - course.job.now) + course.job.now
        found.append(_check_step(course, first, place, still, rest))
        still *= 1 - first.fails
    return (*found, *(_step(course, stage, numbers, without[stage.act.id]) for stage in course.stages))


def _without(course: Course) -> dict[str, float]:
    """Return what the list brings beyond the best list without it, for every step, money.

    Under limits the lists without it are counted at the same prices of hours and cash.
    """
    job, tree = course.job, course.tree
    ids = [stage.act.id for stage in course.stages]
    places = {act.id: place for place, act in enumerate(job.acts)}
    rows = [
        (tree.prices, frozenset({p for i, p in places.items() if set(i.split("+")) & set(name.split("+"))}))
        for name in ids
    ]
    trees = job.solved(rows) if rows else []
    best = float(tree.value[tree.start])
    return {
        name: course.reach * max(0.0, best - float(other.value[other.start]))
        for name, other in zip(ids, trees, strict=True)
    }


def _check_step(course: Course, first: First, number: int, still: float, left: float) -> WorkStep:
    gate, job = gate_catalogue()[first.gate], course.job
    at_stake = course.worst_cash + job.terms.hour_value * course.inner.worst_hours
    return WorkStep(
        number=number,
        kind="check",
        parts_of_it=(Part(id=first.gate, faults=gate.faults, name=gate.test),),
        name=_check_name(first),
        chance=still,
        minutes=first.hours * MINUTES,
        parts=0.0,
        brings=0.0,
        cautions=cautions(_gate_actions(first.gate)),
        why=f"Failing it ends the machine; up to {at_stake:.0f} of parts and own hours hang on it.",
        results=(
            StepResult(
                shows=PASSED,
                says="passed",
                chance=1 - first.fails,
                then=(Then(step=number + 1, chance=1.0),),
                left=left,
            ),
            StepResult(
                shows=FAILED,
                says="failed; write it down and ask again",
                chance=first.fails,
                then=(Then(step=None, chance=1.0),),
                left=first.left,
            ),
        ),
    )


def _gate_actions(gate: str) -> tuple[str, ...]:
    known = {
        "recall": ("recall",),
        "crank": ("hands_on", "crank_check"),
        "blade_stop": ("hands_on", "blade_stop_s"),
        "fuel": ("hands_on", "fuel_paper_5min"),
        "engine_speed": ("engine_rpm",),
        "drive_releases": ("run_engine",),
        "bail": ("run_engine", "blade_control"),
        "blade_and_mount": ("hands_on", "tip", "blade"),
        "deck": ("hands_on", "tip"),
    }
    return ("sale_gate", *known.get(gate, ("hands_on",)))


def _step(course: Course, stage: Stage, numbers: Mapping[str, int], brings: float) -> WorkStep:
    job, act = course.job, stage.act
    parts = tuple(_part(job, act, place) for place in range(len(act.names)))
    waits = max((_waits(name) for name in act.names), default=0.0) if act.kind == "fix" else 0.0
    return WorkStep(
        number=numbers[act.id],
        kind=act.kind,
        parts_of_it=parts,
        name=_act_name(job, act),
        chance=stage.chance,
        minutes=act.hours * MINUTES,
        parts=act.parts,
        brings=brings,
        pays_until=act.parts + brings / stage.chance if act.parts > 0 else None,
        waits_days=waits,
        waiting_costs=storage_cost(job.terms, waits / 7),
        proof="; ".join(_proofs(act)) or None,
        checks_again=_checks_again(act),
        cautions=cautions(_actions(job, act)),
        why=_why(job, stage, brings),
        results=tuple(_result(job, stage, going, numbers) for going in stage.goings),
    )


def _part(job: Job, act: Act, place: int) -> Part:
    name = act.names[place]
    faults = tuple(job.troubles[axis].finding.fault for axis, _ in act.on[place])
    return Part(id=name, faults=faults, name=_name(job, act, name, faults))


def _name(job: Job, act: Act, name: str, faults: Sequence[str]) -> str:
    if act.kind == "fix":
        return job.shop.fixes[name].name
    if act.kind == "measure":
        return f"Measure again: {fault_catalogue()[faults[0]].test}"
    look = next(look for fault in faults if (s := symptom_for(fault)) for look in looks(s) if look.id == name)
    return f"{fault_catalogue()[faults[0]].name}: {look.name}"


def _waits(fix: str) -> float:
    return between(fix_catalogue()[fix].wait_days, "likely")


def _proofs(act: Act) -> list[str]:
    return [proof for name in act.names if act.kind == "fix" and (proof := fix_catalogue()[name].proof)]


def _checks_again(act: Act) -> tuple[str, ...]:
    if act.kind != "fix":
        return ()
    return tuple(dict.fromkeys(gate for name in act.names for gate in fix_catalogue()[name].retest))


def _actions(job: Job, act: Act) -> tuple[str, ...]:
    """Return the words under which the cautions of a step's own work are kept."""
    if act.kind == "fix":
        return act.names
    if act.kind == "measure":
        return ("hands_on",)
    symptom = symptom_for(job.troubles[act.on[0][0][0]].finding.fault)
    assert symptom is not None  # noqa: S101  looks belong to symptoms
    return look_actions(next(look for look in looks(symptom) if look.id == act.names[0]))


def _why(job: Job, stage: Stage, brings: float) -> str:
    act = stage.act
    cost = act.parts + act.hours * job.terms.hour_value
    held = sum(going.chance for going in stage.goings if any(shown == CURED for _, shown in going.shows))
    if act.kind == "fix":
        odds = (
            f"cures at odds of {held:.0%}"
            if len(act.names) == 1
            else f"cures some of it at odds of {held:.0%}"
        )
        return f"Costs {cost:.0f} with own hours, {odds}; without it the best list brings {brings:.0f} less."
    return f"Costs {cost:.0f} with own time; deciding after it brings {brings:.0f} more than the best list without it."


def _result(job: Job, stage: Stage, going: Going, numbers: Mapping[str, int]) -> StepResult:
    return StepResult(
        shows=shown_of(job, going.shows),
        by_fault={job.troubles[axis].finding.fault: shown for axis, shown in going.shows},
        says=_says(job, stage.act, going.shows),
        chance=going.chance,
        then=tuple(
            Then(step=None if name is None else numbers[name], chance=chance) for name, chance in going.then
        ),
        left=going.left,
    )


def shown_of(job: Job, shows: Sequence[tuple[int, str]]) -> str:
    """Return a result as it is told back: one word, or one a fault where the step works on several."""
    if len(shows) == 1:
        return shows[0][1]
    return ", ".join(f"{job.troubles[axis].finding.fault} {shown}" for axis, shown in shows)


def _says(job: Job, act: Act, shows: Sequence[tuple[int, str]]) -> str:
    if act.kind != "fix" or len(shows) == 1:
        return ", ".join(_in_words(shown) for _, shown in shows)
    names = [fault_catalogue()[job.troubles[axis].finding.fault].name.lower() for axis, _ in shows]
    return ", ".join(f"{name} {_in_words(shown)}" for name, (_, shown) in zip(names, shows, strict=True))


def _in_words(shown: str) -> str:
    return shown.replace("_", " ")


def step_ids(course: Course) -> tuple[str, ...]:
    """Return the ids of a course's steps in working order."""
    if not course.works:
        return ()
    return (*(first.gate for first in course.job.firsts), *(stage.act.id for stage in course.stages))


def step_names(course: Course) -> tuple[str, ...]:
    """Return a course's steps in plain words, in working order."""
    if not course.works:
        return ()
    firsts = (_check_name(first) for first in course.job.firsts)
    return (*firsts, *(_act_name(course.job, stage.act) for stage in course.stages))


def step_cautions(course: Course) -> tuple[str, ...]:
    """Return the cautions of a course's steps, each once."""
    if not course.works:
        return ()
    firsts = [action for first in course.job.firsts for action in _gate_actions(first.gate)]
    return cautions([*firsts, *(a for stage in course.stages for a in _actions(course.job, stage.act))])


def waiting_days(course: Course) -> float:
    """Return the longest wait of a course's steps for parts, a test or a remedy, days."""
    if not course.works:
        return 0.0
    return max(
        (_waits(name) for stage in course.stages if stage.act.kind == "fix" for name in stage.act.names),
        default=0.0,
    )


def _check_name(first: First) -> str:
    return f"Check the {first.gate} before any money: {gate_catalogue()[first.gate].test}"


def _act_name(job: Job, act: Act) -> str:
    return "; ".join(_part(job, act, place).name for place in range(len(act.names)))


# ------------------------------------------------------------------------------------------------- the rest
SOLD_AS: Mapping[str, tuple[Verdict, str]] = {
    "working": (
        "sell as it stands",
        "sell it as it stands, as a working mower once every safety check is passed",
    ),
    "for repair": ("sell as it stands", "sell it as it stands, for repair"),
    "for parts": ("break for parts", "break it for parts"),
    "scrap": ("scrap", "scrap it"),
}
RECALLED: tuple[Verdict, str] = (
    "no sale while a recall is open",
    "it may not be sold while a recall is open; claim the maker's free remedy, or scrap it",
)
"""What is said where no work pays, by the way it leaves: the verdict, and in a sentence."""


def _verdict(course: Course, steps: Sequence[WorkStep], *, recalled: bool) -> tuple[Verdict, str]:
    """Return the verdict, and the summary that says the same."""
    if not course.works:
        route = ROUTES[course.route(course.came[0].state)]
        verdict, says = RECALLED if recalled and route == "scrap" else SOLD_AS[route]
        return verdict, f"No work and no look brings more than it costs: {says}.{_why_not_sold(course.job)}"
    first = steps[0]
    return "go on", (
        f"First: {first.name}. In all about {course.hours:.1f} h and {course.cash:.0f} of parts on average; it should "
        f"bring {course.returns:.0f} more than leaving it as it stands."
    )


OWN_HOURS = {SCRAP: SCRAP_HOURS, FOR_PARTS: STRIPPING_HOURS}
"""Own hours of the ways that leave no machine."""


def _why_not_sold(job: Job) -> str:
    """Say what eats the sale of a machine that is taken apart though it might be sold as working.

    And at which worth of an hour the sale pays, and that spring pays more: what is taken apart is gone.
    """
    left, rate = job.today, job.terms.hour_value
    way = int(left.argmax())
    if way not in OWN_HOURS or not np.isfinite(left[WORKING]):
        return ""
    hours = check_hours(job.unchecked) + selling_hours(job.terms)
    told = [f"Checked and sold as working it would leave {left[WORKING]:.0f} against {left[way]:.0f}:"]
    told.append(f"{hours:.1f} h of checks and selling at {rate:g} an hour.")
    pays = rate - (left[way] - left[WORKING]) / max(hours - OWN_HOURS[way], SAME)
    if pays >= 1:
        told.append(f"It pays where an hour is worth under {pays:.0f}.")
    return "".join(f" {each}" for each in (*told, *season_warnings(job.terms)))


def _ends(course: Course) -> tuple[End, ...]:
    found: dict[int, tuple[float, float]] = {}
    for state, chance in course.endings:
        route = course.route(state)
        before = found.get(route, (0.0, 0.0))
        found[route] = before[0] + chance, before[1] + chance * float(course.tree.ends[state])
    still = 1.0
    for first in (
        course.job.firsts if course.works else ()
    ):  # what a failed check leaves, by its likeliest way
        before = found.get(first.route, (0.0, 0.0))
        lost = still * first.fails
        found[first.route] = before[0] + lost, before[1] + lost * first.left
        still -= lost
    return tuple(
        End(route=ROUTES[route], chance=min(1.0, chance), proceeds=money / chance)
        for route, (chance, money) in sorted(found.items(), key=lambda pair: -pair[1][0])
    )


def _ways_now(job: Job) -> tuple[WayNow, ...]:
    return tuple(
        WayNow(route=route, left=float(left) if np.isfinite(left) else 0.0, open=bool(np.isfinite(left)))
        for route, left in zip(ROUTES, job.today, strict=True)
    )


def _before_sale(job: Job) -> tuple[GateStep, ...]:
    return tuple(
        GateStep(
            check=gate,
            how=gate_catalogue()[gate].test,
            minutes=GATE_MINUTES.get(gate, OTHER_MINUTES),
            cautions=cautions(_gate_actions(gate)),
        )
        for gate in job.unchecked
    )


def left_in(course: Course) -> tuple[str, ...]:
    """Return the faults that are still there if every step goes its best way, to be told to the buyer."""
    job = course.job
    left = [
        t.finding.fault for t, place in zip(job.troubles, course.hoped, strict=True) if t.there[place] > 0
    ]
    return (*left, *(item.fault for item in job.lattice.held))


def _others(course: Course, steps: Sequence[WorkStep]) -> tuple[OtherStep, ...]:
    """Return what else could be done first, and how much less that leaves."""
    job, tree = course.job, course.tree
    best, listed = float(tree.value[tree.start]), {part.id for step in steps for part in step.parts_of_it}
    found = []
    for place, (act, worth) in enumerate(zip(tree.acts, tree.worths(tree.start).tolist(), strict=True)):
        if not np.isfinite(worth) or len(act.names) > 1 or place == tree.choice(tree.start):
            continue
        faults = [job.troubles[axis].finding.fault for axis, _ in act.on[0]]
        found.append(
            OtherStep(
                id=act.id,
                name=_name(job, act, act.names[0], faults),
                less=max(0.0, best - worth),
                later=act.id in listed,
            )
        )
    return tuple(sorted(found, key=lambda other: other.less))


def _symptoms(job: Job) -> tuple[SymptomCauses, ...]:
    found = []
    for axis, told in job.stories.items():
        start, symptom = job.troubles[axis].start, symptom_for(job.troubles[axis].finding.fault)
        if symptom is None or job.troubles[axis].there[start] == 0:
            continue
        chances = sorted(zip(told.riddle.causes, told.beliefs[start], strict=True), key=lambda pair: -pair[1])
        found.append(
            SymptomCauses(
                fault=job.troubles[axis].finding.fault,
                causes=tuple(
                    CauseChance(
                        cause=name,
                        name=symptom.causes[name].name,
                        chance=chance,
                        fault=symptom.causes[name].fault,
                    )
                    for name, chance in chances
                ),
            )
        )
    return tuple(found)


def _method(job: Job, gap: float) -> str:
    if not gap and not job.given_up:
        return EXACT
    names = [fault_catalogue()[job.troubles[axis].finding.fault].name.lower() for axis in job.given_up]
    left = (
        f"; left out for want of room: {', '.join(names)}: write down what is cured and ask again"
        if names
        else ""
    )
    return f"{NARROWED}{left}"


def gap_of(job: Job) -> float:
    """Return what no list can bring more than beyond the tree, money; 0 where it is exact.

    That is what knowing the cause of each symptom whose story was narrowed would bring, and the most that curing
    the faults left out for want of room could.
    """
    start = tuple(t.start for t in job.troubles)
    gap = sum(float(job.gains[axis]) for axis in job.given_up if job.troubles[axis].there[start[axis]] > 0)
    for axis, told in job.stories.items():
        if told.whole or job.troubles[axis].there[job.troubles[axis].start] == 0:
            continue
        sure = sum(
            chance * _knowing(job, axis, told.riddle, place)
            for place, chance in enumerate(told.beliefs[job.troubles[axis].start])
            if chance > 0
        )
        gap += max(0.0, sure - float(job.tree.value[start]))
    return gap if gap > SAME else 0.0  # a rounding is nothing given up


def _knowing(job: Job, axis: int, riddle: Riddle, cause: int) -> float:
    """Return what is left if the cause of a symptom is known for sure, everything else as it is."""
    odds = dict(zip(riddle.fixes, riddle.odds[:, cause].tolist(), strict=True))
    known = plain_trouble(riddle.finding, odds, job.done.failed.get(riddle.finding.fault, frozenset()))
    factor = riddle.factors(np.eye(len(riddle.causes))[[cause]])
    other = job.with_trouble(axis, replace(known, factor=np.repeat(factor, known.size)))
    tree: Tree = other.tree
    return float(tree.value[tree.start])
