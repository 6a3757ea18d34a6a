"""Which fixes pay on one machine, which must be done, and the best set of them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from valuer.advice.ports import ValueModel
from valuer.advice.work.bay import Bay, bays
from valuer.advice.work.break_even import break_even
from valuer.advice.work.done import Done
from valuer.advice.work.hour_plans import plans_by_hour
from valuer.advice.work.plan_document import plan_document
from valuer.advice.work.policies import Workshop, usual_workshop
from valuer.advice.work.reasons import Option, judged
from valuer.advice.work.routes import must_cure
from valuer.advice.work.search import Plan, best_plan
from valuer.advice.worth.common import cautions, leaving_actions, safety_of, warnings_for
from valuer.advice.worth.documents import FixAdvice, FixPlan, Valuation
from valuer.advice.worth.fault_cost import cured_alone
from valuer.advice.worth.valuation import valuation_of
from valuer.domain.fixes import odds as odds_of
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms


def plan_fixes(
    machines: Sequence[Machine],
    model: ValueModel,
    terms: ShopTerms,
    shop: Workshop | None = None,
    done: Mapping[str, Done] | None = None,
    hour_values: Sequence[float] | None = None,
) -> tuple[FixPlan, ...]:
    """Return the fix plan of each machine, in the order asked.

    ``done`` tells, by machine id, how work done so far went: what was cured is gone, what failed keeps half
    its odds, and nothing already spent counts. With ``hour_values`` the plan is also shown at these values of
    an hour (at the usual ones when empty), and where it changes.
    """
    every = bays(machines, model, terms, shop or usual_workshop(), done)
    plans = tuple(fix_plan_of(bay, model, terms) for bay in every)
    if hour_values is None:
        return plans
    return tuple(
        _with_hours(plan, bay, terms, (done or {}).get(plan.id), hour_values)
        for plan, bay in zip(plans, every, strict=True)
    )


def _with_hours(
    plan: FixPlan, bay: Bay, terms: ShopTerms, done: Done | None, hour_values: Sequence[float]
) -> FixPlan:
    points, switches = plans_by_hour(bay, terms, done, hour_values)
    return plan.model_copy(update={"by_hour_value": points, "switch_points": switches})


def full_advice(
    machines: Sequence[Machine], model: ValueModel, terms: ShopTerms
) -> tuple[tuple[Valuation, FixPlan], ...]:
    """Return valuation and fix plan of each machine, both from the same call of the model."""
    every = bays(machines, model, terms, usual_workshop())
    return tuple(
        (valuation_of(bay.lattice, bay.value, model, terms), fix_plan_of(bay, model, terms)) for bay in every
    )


def fix_plan_of(bay: Bay, model: ValueModel, terms: ShopTerms) -> FixPlan:
    """Return the fix plan of a machine whose values are known."""
    free = best_plan(bay.case)
    within = best_plan(bay.case, terms.hours, terms.cash) if _limited(terms) else free
    safety = safety_of(bay.lattice.machine, terms, bay.cured)
    document = plan_document(bay, within)
    return FixPlan(
        id=bay.lattice.machine.id,
        value=bay.value,
        fixes=_every_fix(bay, free),
        best=document,
        hour_value=terms.hour_value,
        margin=terms.margin,
        safety=safety,
        cautions=cautions((*document.fixes, *leaving_actions(safety))),
        warnings=warnings_for(bay.lattice, model, terms),
        basis=model.basis,
    )


def _limited(terms: ShopTerms) -> bool:
    return terms.hours is not None or terms.cash is not None


def _every_fix(bay: Bay, free: Plan) -> tuple[FixAdvice, ...]:
    """Return every fix that can work on any of the faults, those advised first, then by expected return."""
    curing = curing_plan(bay, free)
    rows = [_advice(bay, option, free, curing) for option in options(bay)]
    place = {"must be done": 0, "worth doing": 1, "not worth doing": 2}
    return tuple(sorted(rows, key=lambda row: (place[row.verdict], -row.expected_return)))


def options(bay: Bay) -> list[Option]:
    """Return each fix for each fault it can cure, as if done alone with the other faults left in."""
    case = bay.case
    gains = cured_alone(bay.lattice.values) * (1 - bay.fee_share)
    return [
        _option(bay, int(axis), int(place), float(gains[axis])) for axis, place in np.argwhere(case.odds > 0)
    ]


def _option(bay: Bay, axis: int, place: int, gain: float) -> Option:
    case = bay.case
    odds, parts = float(case.odds[axis, place]), float(case.shop.parts[place]) * case.price_level
    hours = case.shop.hours_alone(place)
    return Option(axis, place, gain, odds, parts, hours, gain * odds - parts - hours * case.hour_value)


def curing_plan(bay: Bay, free: Plan) -> Plan:
    """Return the best plan that works on every fault that must be cured; ``free`` if it already does."""
    gates = [axis for axis, item in enumerate(bay.lattice.findings) if must_cure(item)]
    if all(free.tries[axis] for axis in gates if bay.case.odds[axis].any()):
        return free
    return best_plan(replace(bay.case, forced=frozenset(gates)))


def _advice(bay: Bay, option: Option, free: Plan, curing: Plan) -> FixAdvice:
    verdict, reason = judged(bay, option, free, curing)
    finding, shop = bay.lattice.findings[option.axis], bay.case.shop
    fix = shop.fixes[shop.names[option.place]]
    band = odds_of(fix, finding, bay.lattice.machine.readings)
    share = option.odds / band.likely if band and band.likely else 1.0  # below 1 after a try that failed
    return FixAdvice(
        fix=fix.id,
        fault=finding.fault,
        name=fix.name,
        gain=option.gain,
        parts=option.parts,
        bench_hours=option.hours,
        odds=option.odds,
        odds_low=band.low * share if band else option.odds,
        odds_high=band.high * share if band else option.odds,
        expected_return=option.expected_return,
        verdict=verdict,
        reason=reason,
        break_even=break_even(bay, option),
    )
