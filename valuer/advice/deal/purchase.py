"""The most to pay for a machine before it is taken in, and whether to fetch it at all.

Faults that nobody has looked for are counted at their share among machines taken in, or, where it is known to run,
among running machines listed: a fixed set of imagined machines is drawn from these shares, each gets its best
plan, and the limit is what is left over on average.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from valuer.advice.deal.documents import CostLine, PurchaseLimit, UnknownFrom
from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.work.course import Course
from valuer.advice.work.job import job_of
from valuer.advice.work.work_list import step_names
from valuer.advice.work.workshop import Workshop, usual_workshop
from valuer.advice.worth.common import cautions, leaving_actions, ranges, safety_of, warnings_for
from valuer.advice.worth.documents import Value
from valuer.advice.worth.lattice import Lattice, Scene, lattices, scene_of
from valuer.advice.worth.untested import SERIOUS, chances_of, has_cause_in, not_looked_for, runs_for_sure
from valuer.domain.faults import Severity, fault_catalogue
from valuer.domain.going import each_of
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms, handling_cost, selling_hours, trip_cost

DRAWS = 24
"""Imagined machines; the same ones for every question, so that answers differ by the question only."""

ROUGHLY = 256
"""Places of a symptom's story on an imagined machine: the average of many needs no more."""

UNKNOWN = 0.25
"""Share of the catalogue's shares that counts on a machine not seen yet: they sum to more than ten a machine, and
a machine given away has two or three faults beside the one it is given away for (judgement, no source)."""

MOST_UNKNOWN = 6
"""Unknown faults drawn onto one imagined machine at most, the rarest first: fewer values to work out."""


def purchase_limits(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    *,
    want: float = 0.0,
    want_per_hour: float | None = None,
    asked: float | None = None,
    sound: Collection[str] = (),
    shop: Workshop | None = None,
) -> tuple[PurchaseLimit, ...]:
    """Return the most to pay for each machine, in the order asked.

    ``want`` is the money to be left over with own hours paid at the terms' hour value; ``want_per_hour``
    instead asks for that much for every own hour, trip and sale included. ``sound`` names faults that were
    looked for and are not there. Trips are counted by the terms' miles. ``shop`` holds the fixes with their
    odds and hours, as in the catalogue where it is not given.
    """
    if want_per_hour is not None:
        terms = terms.model_copy(update={"hour_value": want_per_hour})
        want = 0.0
    asks, fixes = Asks(want, want_per_hour, asked), shop or usual_workshop()
    return tuple(
        _limit(machine, model, terms, asks, sound, fixes) for machine in each_of(machines, "machine")
    )


@dataclass(frozen=True, slots=True)
class Asks:
    """What the buyer wants left over, in total or per hour, and what the seller asks; money."""

    want: float
    want_per_hour: float | None
    asked: float | None


def _limit(
    machine: Machine,
    model: ValueModel,
    terms: ShopTerms,
    asks: Asks,
    sound: Collection[str],
    shop: Workshop,
) -> PurchaseLimit:
    seen = scene_of(machine, terms)
    open_faults = not_looked_for(machine, seen.findings, sound)
    kind = kind_of(seen, sound)
    drawn = imagined(seen, open_faults, kind)
    apart = {scene.findings: scene for scene in drawn}  # two that are drawn alike are decided once
    every = lattices([seen, *apart.values()], model, terms)
    value = ranges(every[:1], model, terms)[0]
    course: dict[tuple[Finding, ...], Course] = {}
    for findings, lattice in zip(apart, each_of(every[1:], "machine it may be"), strict=True):
        job = job_of(lattice, value, model, terms, shop, places=ROUGHLY)
        course[findings] = Course(job, job.tree)
    courses = [course[scene.findings] for scene in drawn]
    nets = np.array([course.left for course in courses])
    fixed = trip_cost(terms) + handling_cost(terms)
    limits = nets - fixed - asks.want
    first = job_of(every[0], value, model, terms, shop)
    sums = Sums(
        every[0],
        courses,
        limits,
        open_faults,
        kind,
        next(iter(step_names(Course(first, first.tree))), None),
    )
    return _document(machine, value, sums, model, terms, asks)


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """What the imagined machines came to: ``limits``, shape (n,), is the price each would bear.

    ``seen`` is the machine with what is known of it and nothing else.
    """

    seen: Lattice
    courses: list[Course]
    limits: FloatArray
    not_known: tuple[str, ...]
    kind: UnknownFrom
    first_step: str | None


def kind_of(scene: Scene, sound: Collection[str]) -> UnknownFrom:
    """Return among which machines unknown faults have their shares: those taken in, or running ones listed.

    It runs where a reading says so that only a running engine gives, or where no_start was looked for.
    """
    runs = runs_for_sure(scene.machine, scene.findings, sound)
    return "running machines listed" if runs else "machines taken in"


def imagined(
    scene: Scene, open_faults: Sequence[str], kind: UnknownFrom = "machines taken in"
) -> list[Scene]:
    """Return the machine with unknown faults drawn at their shares among machines of a kind."""
    runs = kind == "running machines listed"
    shares = np.array(chances_of(open_faults, scene.machine, runs=runs, counted=UNKNOWN))
    known = scene.machine.model_copy(update={"looked_over": True})
    rng = np.random.default_rng(20)
    places = [list(fault_catalogue()).index(name) for name in open_faults]
    for_being, for_gravity = np.moveaxis(rng.random((DRAWS, len(fault_catalogue()), 2))[:, places], 2, 0)
    return [
        Scene(known, (*scene.findings, *_drawn(open_faults, shares, row, grave)))
        for row, grave in zip(for_being < shares, for_gravity < SERIOUS, strict=True)
    ]


def _drawn(names: Sequence[str], shares: FloatArray, there: FloatArray, grave: FloatArray) -> list[Finding]:
    places: list[int] = np.flatnonzero(there).tolist()
    drawn = {names[place] for place in places}
    apart = [place for place in places if not has_cause_in(names[place], drawn)]
    chosen = sorted(apart, key=lambda place: shares[place])[:MOST_UNKNOWN]
    found = []
    for place in sorted(chosen):
        severities = fault_catalogue()[names[place]].severities
        severity: Severity = "serious" if grave[place] or len(severities) == 1 else "slight"
        found.append(Finding(names[place], severity))
    return found


def _document(
    machine: Machine, value: Value, sums: Sums, model: ValueModel, terms: ShopTerms, asks: Asks
) -> PurchaseLimit:
    safety = safety_of(machine, terms)
    recalled = "recall_open" in safety.must_cure
    limit = min(float(sums.limits.mean()), 0.0 if recalled else np.inf)
    verdict, reason = _verdict(limit, asks.asked, recalled=recalled)
    lines = _cost_lines(sums, terms)
    return PurchaseLimit(
        id=machine.id,
        called=machine.called,
        value=value,
        most_to_pay=max(0.0, limit),
        limit=limit,
        verdict="fetch it" if verdict else "do not fetch it",
        reason=reason,
        asked=asks.asked,
        wanted_return=asks.want,
        wanted_per_hour=asks.want_per_hour,
        return_if_free=limit + asks.want,
        proceeds=float(
            np.mean(
                [
                    course.left + course.cash + terms.hour_value * course.hours + course.job.selling
                    for course in sums.courses
                ]
            )
        ),
        costs=lines,
        hours=sum(line.hours for line in lines),
        low=float(np.quantile(sums.limits, 0.1)),
        high=float(np.quantile(sums.limits, 0.9)),
        not_known=sums.not_known,
        unknown_from=sums.kind,
        first_step=sums.first_step,
        safety=safety,
        cautions=cautions(("lifting", *leaving_actions(safety))),
        warnings=warnings_for(sums.seen, model, terms),
        basis=model.basis,
    )


def _verdict(limit: float, asked: float | None, *, recalled: bool) -> tuple[bool, str]:
    if recalled:
        return (
            False,
            "A recall is open: it may not be sold or given away; the maker's remedy is its owner's to claim.",
        )
    if limit <= 0:
        return False, "Even as a gift it does not bring the wanted return once trip, time and work are paid."
    if asked is None:
        return True, f"Up to {limit:.0f} it brings the wanted return."
    if asked > limit:
        return False, f"At {asked:.0f} it costs more than the {limit:.0f} it may cost."
    return True, f"At {asked:.0f} it leaves {limit - asked:.0f} more than wanted."


def _cost_lines(sums: Sums, terms: ShopTerms) -> tuple[CostLine, ...]:
    """Return the costs between fetching and hand-over; cash and own hours apart, expected values."""
    trips = 1.0 / (1.0 - min(terms.wasted_trips, 0.99))
    cash = float(np.mean([course.cash for course in sums.courses]))
    hours = float(np.mean([course.hours for course in sums.courses]))
    selling = (
        float(np.mean([course.job.selling for course in sums.courses]))
        - selling_hours(terms) * terms.hour_value
    )
    return (
        CostLine(
            name="trip", cash=terms.trip_miles * terms.mile_cost * trips, hours=terms.trip_hours * trips
        ),
        CostLine(
            name="first look, consumables, tools",
            cash=terms.consumables + terms.tool_wear,
            hours=terms.triage_hours,
        ),
        CostLine(name="repair, as the work list has it", cash=cash, hours=hours),
        CostLine(name="selling", cash=selling, hours=selling_hours(terms)),
    )
