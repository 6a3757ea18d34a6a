"""Making one machine of two: a part that is good on one machine and wanted on another."""

from collections.abc import Sequence

from valuer.advice.ports import ValueModel
from valuer.advice.work.bench_documents import Donor
from valuer.advice.work.job import Job, job_of
from valuer.advice.work.ways_out import FOR_PARTS, PARTS_SOLD, SCRAP, USED_PARTS, UsedPart, part_price, spoils
from valuer.domain.symptoms import may_cure
from valuer.domain.told_twice import gone_with

MOST_MACHINES = 40
"""Benches up to which every pair is weighed."""

MOST_TOLD = 5


def donors_among(jobs: Sequence[Job], model: ValueModel) -> tuple[Donor, ...]:
    """Return the donors worth more to another machine of the bench than by their own lists, the best first.

    The part costs the machine that gets it nothing but the work of the fix; the donor's other parts are sold or
    scrapped, whichever brings more. A machine under an open recall gives nothing.
    """
    if len(jobs) > MOST_MACHINES:
        return ()
    own = [job.now + job.gain for job in jobs]
    found = []
    for part in USED_PARTS:
        if part.fix is None:
            continue
        giving = [
            (place, left) for place, job in enumerate(jobs) if (left := _left_without(job, part)) is not None
        ]
        for place, job in enumerate(jobs):
            if not giving or not _wants(job, part.fix):
                continue
            better = _with_part(job, model, part.fix) - own[place]
            for donor, left in giving:
                brings = better + left - own[donor]
                if donor != place and brings > job.terms.margin + 1.0 * job.terms.price_level:
                    found.append(_told(part, jobs[donor], job, brings))
    return tuple(sorted(found, key=lambda each: -each.brings)[:MOST_TOLD])


def _wants(job: Job, fix: str) -> bool:
    left = (item.fault for item in job.findings if item.fault not in job.done.cured)
    return any(fault in may_cure(fix) for fault in left)


def _with_part(job: Job, model: ValueModel, fix: str) -> float:
    """Return the money left from a machine if the part of a fix costs nothing."""
    shop = job.shop.at({fix: 0.0}, {})
    free = job_of(job.lattice, job.value, model, job.terms, shop, job.done)
    return free.now + free.gain


def _left_without(job: Job, part: UsedPart) -> float | None:
    """Return what is left of a donor once the part is out; None where the part is no good or may not be given."""
    start = tuple(trouble.start for trouble in job.troubles)
    in_bits, scrap = (float(job.ways.money[(way, *start)]) for way in (FOR_PARTS, SCRAP))
    if in_bits == float("-inf") or part.fix is None:
        return None
    gone = gone_with(job.lattice.found, job.done.cured)
    spoiled = any(spoils(item, part) and item.fault not in gone for item in job.lattice.found)
    if spoiled or (part.name == "gearbox" and job.machine.drive == "push"):
        return None
    return max(in_bits - part_price(part, job.machine, job.terms) * PARTS_SOLD, scrap)


def _told(part: UsedPart, donor: Job, job: Job, brings: float) -> Donor:
    assert part.fix is not None  # noqa: S101  only parts that a fix fits are given
    return Donor(
        part=part.name,
        donor=donor.machine.id,
        into=job.machine.id,
        fix=part.fix,
        brings=brings,
        says=f"The {part.name} of {donor.machine.id} in {job.machine.id} brings {brings:.0f} more than both alone.",
    )
