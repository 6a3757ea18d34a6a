"""What one fix is expected to bring by itself: written down before a try, to be held against what it brought."""

from valuer.advice.ports import ValueModel
from valuer.advice.work.done import Done
from valuer.advice.work.job import jobs
from valuer.advice.work.tree import Act, edges
from valuer.advice.work.workshop import Workshop
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms


def promised_return(
    machine: Machine,
    model: ValueModel,
    terms: ShopTerms,
    fix: str,
    fault: str,
    shop: Workshop | None = None,
    done: Done | None = None,
) -> float | None:
    """Return the expected gain of doing one fix and then leaving the machine, own hours paid.

    None where the fix cannot work on the fault of this machine.
    """
    (job,) = jobs([machine], model, terms, shop, {machine.id: done} if done else None)
    start = tuple(trouble.start for trouble in job.troubles)
    act = next((act for act in job.acts if act.names == (fix,)), None)
    if act is None or fault not in _faults(act, [item.fault for item in job.findings]):
        return None
    after = sum(edge.chance * float(job.ways.best[edge.to]) for edge in edges(job.troubles, act, start))
    return after - act.parts - act.hours * terms.hour_value - job.now


def _faults(act: Act, faults: list[str]) -> list[str]:
    return [faults[axis] for part in act.on for axis, _ in part]
