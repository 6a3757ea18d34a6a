"""Why a fix is worth doing, not worth doing, or must be done: one plain sentence each."""

from dataclasses import dataclass

from valuer.advice.work.bay import Bay
from valuer.advice.work.routes import must_cure
from valuer.advice.work.search import Plan
from valuer.advice.worth.documents import Verdict
from valuer.domain.faults import fault_catalogue


@dataclass(frozen=True, slots=True)
class Option:
    """One fix (``place`` in the workshop) for one fault (``axis``) of a machine, done alone."""

    axis: int
    place: int
    gain: float
    odds: float
    parts: float
    hours: float
    expected_return: float


def judged(bay: Bay, option: Option, best: Plan, curing: Plan) -> tuple[Verdict, str]:
    """Return the verdict on a fix, and why.

    ``best`` is the best plan without limits; ``curing`` the best of those that work on every fault that must
    be cured, which is the same plan unless selling for repair or for parts leaves more.
    """
    finding = bay.lattice.findings[option.axis]
    if must_cure(finding) and _begins_with(bay, curing, option):
        return "must be done", _must(bay, option, pays=_begins_with(bay, best, option))
    if _begins_with(bay, best, option):
        return "worth doing", _worth(bay, option)
    return "not worth doing", _not_worth(bay, option, curing if must_cure(finding) else best)


def _begins_with(bay: Bay, plan: Plan, option: Option) -> bool:
    """Say whether the plan's first work on the fault is this fix."""
    tries, waits = plan.tries[option.axis], plan.waits[option.axis]
    if tries and not waits:
        return tries[0] == option.place
    on_it = [place for place in plan.first if bay.case.odds[option.axis, place] > 0]
    return option.place in (on_it or tries[:1])


def _must(bay: Bay, option: Option, *, pays: bool) -> str:
    fault = fault_catalogue()[bay.lattice.findings[option.axis].fault]
    reason = f"{fault.name} must be cured before it may be sold as working"
    if pays:
        return f"{reason}, and of the ways to do it this one leaves most."
    return f"{reason}; it costs more than it brings here, so sell it for repair or for parts instead."


def _worth(bay: Bay, option: Option) -> str:
    brings, costs = option.gain * option.odds, option.gain * option.odds - option.expected_return
    helped = [
        item.fault
        for axis, item in enumerate(bay.lattice.findings)
        if axis != option.axis and bay.case.odds[axis, option.place] > 0
    ]
    if option.expected_return > 0:
        return f"Brings {brings:.0f} on average for {costs:.0f} of parts and own hours."
    if helped:
        return f"Pays because the same work may also cure {', '.join(helped)}."
    return (
        "Pays as part of the plan: with the other faults cured it brings more, or its strip-down is shared."
    )


def _not_worth(bay: Bay, option: Option, plan: Plan) -> str:
    names, tries = bay.case.shop.fixes, plan.tries[option.axis]
    shop = bay.case.shop
    if option.place in tries:
        before = names[shop.names[tries[max(tries.index(option.place) - 1, 0)]]]
        return f"Not at first: it is the next try if this fails: {before.name}."
    on_it = [place for place in plan.first if bay.case.odds[option.axis, place] > 0]
    if tries or on_it:
        other = names[shop.names[(tries or tuple(on_it))[0]]]
        return f"For the same fault another way leaves more: {other.name}."
    brings, costs = option.gain * option.odds, option.gain * option.odds - option.expected_return
    if option.expected_return > bay.case.margin:
        return (
            f"Brings {brings:.0f} for {costs:.0f} done alone, but leaving the machine as it is brings more."
        )
    return f"Brings {brings:.0f} on average and costs {costs:.0f} in parts and own hours."
