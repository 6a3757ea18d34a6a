"""A plan as it leaves the house: steps in working order, what it costs and brings, how the machine leaves."""

from valuer.advice.work.bay import Bay
from valuer.advice.work.outcomes import chance_of_loss
from valuer.advice.work.routes import ROUTES
from valuer.advice.work.search import Plan
from valuer.advice.worth.common import noise
from valuer.advice.worth.documents import BestPlan, PlanStep

MORE_LIKELY_THAN_NOT = 0.5
EXACT = "exact: every subset of faults, every policy compared"
SEARCHED = (
    "searched two faults at a time until no change helps; the gap is what a better plan could still bring"
)


def plan_document(bay: Bay, plan: Plan) -> BestPlan:
    """Return the plan of one machine as a document."""
    steps = plan_steps(bay, plan)
    return BestPlan(
        fixes=tuple(step.fix for step in steps),
        steps=steps,
        expected_return=plan.returns,
        bench_hours=plan.hours,
        cash=plan.cash,
        worst_hours=plan.worst_hours,
        worst_cash=plan.worst_cash,
        value_after=value_after(bay, plan),
        chance_of_loss=chance_of_loss(bay.case, plan, noise(bay.value), bay.selling),
        sold_as=ROUTES[int(bay.out.route[if_all_works(bay, plan)])],
        left_and_disclosed=left_in(bay, plan),
        method=SEARCHED if plan.gap else EXACT,
        gap=plan.gap,
    )


def plan_steps(bay: Bay, plan: Plan) -> tuple[PlanStep, ...]:
    """Return the first round of a plan in working order, each step with what follows when it fails.

    Strip-down hours stand at the first step that needs them.
    """
    shop, opened, steps = bay.case.shop, 0, []
    for place in working_order(bay, plan):
        new = int(shop.groups[place]) & ~opened
        opened |= new
        steps.append(
            PlanStep(
                fix=shop.names[place],
                faults=tuple(bay.lattice.findings[axis].fault for axis in acts_on(bay, place)),
                parts=float(shop.parts[place]) * bay.case.price_level,
                bench_hours=float(shop.hours[place] + shop.group_hours[new]),
                if_it_fails=_next_tries(bay, plan, place),
            )
        )
    return tuple(steps)


def working_order(bay: Bay, plan: Plan) -> list[int]:
    """Return the fixes of the first round, those that need the same strip-down together."""
    groups = bay.case.shop.groups
    return sorted(plan.first, key=lambda place: (int(groups[place]), place))


def acts_on(bay: Bay, place: int) -> list[int]:
    """Return the axes of the faults that a fix may cure here."""
    return [axis for axis in range(len(bay.lattice.findings)) if bay.case.odds[axis, place] > 0]


def _next_tries(bay: Bay, plan: Plan, place: int) -> tuple[str, ...]:
    """Return what is tried, in order, on any fault that this fix was to cure, or to cure the cause of."""
    axes = acts_on(bay, place)
    symptoms = [axis for axis, causes in enumerate(bay.case.causes) if set(causes) & set(axes)]
    later = [name for axis in (*axes, *symptoms) for name in plan.later(axis)]
    return tuple(dict.fromkeys(bay.case.shop.names[name] for name in later))


def if_all_works(bay: Bay, plan: Plan) -> tuple[int, ...]:
    """Return the place in the lattice when every fix of the plan does what it is for."""
    return tuple(
        0 if plan.tries[axis] or _helped(bay, plan, axis) else 1 for axis in range(len(bay.lattice.findings))
    )


def _helped(bay: Bay, plan: Plan, axis: int) -> bool:
    """Say whether work for other faults cures this one more likely than not."""
    chance = 1.0
    for place in plan.first:
        chance *= 1 - bay.case.odds[axis, place]
    return bool(chance < MORE_LIKELY_THAN_NOT)


def left_in(bay: Bay, plan: Plan) -> tuple[str, ...]:
    """Return the faults that nothing is done about."""
    places = if_all_works(bay, plan)
    left = [item.fault for item, place in zip(bay.lattice.findings, places, strict=True) if place]
    return (*left, *(item.fault for item in bay.lattice.held))


def value_after(bay: Bay, plan: Plan) -> float:
    """Return the expected sale price after the plan, every outcome weighed."""
    if not plan.works:
        return bay.lattice.now
    return (plan.proceeds + bay.selling) / (1 - min(bay.fee_share, 0.99))
