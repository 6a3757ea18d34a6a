"""The list at several values of an hour, and where it changes: how much work pays hinges on the hour."""

from collections.abc import Sequence
from itertools import pairwise

from valuer.advice.ports import ValueModel
from valuer.advice.work.course import Course, course_of
from valuer.advice.work.documents import HourPoint
from valuer.advice.work.job import Job, job_of
from valuer.domain.going import each_of

USUAL_HOURS = (0.0, 8.0, 15.0, 25.0)
"""Values of an hour shown when none are asked for, money at price level 1 (common practice, no source)."""

CLOSE = 0.25
"""A switch point is found to within this much, money an hour at price level 1."""


def by_hour(
    job: Job, model: ValueModel, hour_values: Sequence[float] | None = None
) -> tuple[tuple[HourPoint, ...], tuple[float, ...]]:
    """Return the list at each value of an hour, and the values between them at which it changes.

    The terms' own hour value is among them. Limits on hours and cash hold as in the terms.
    """
    level = job.terms.price_level
    values = sorted({*(hour_values or [hour * level for hour in USUAL_HOURS]), job.terms.hour_value})
    courses = [_at(job, model, value) for value in each_of(values, "worth of an hour")]
    points = tuple(
        HourPoint(
            hour_value=value, steps=_steps(course), expected_return=course.returns, bench_hours=course.hours
        )
        for value, course in zip(values, courses, strict=True)
    )
    switches = tuple(
        _switch(job, model, low, high, _steps(before))
        for (low, before), (high, after) in pairwise(zip(values, courses, strict=True))
        if _steps(before) != _steps(after)
    )
    return points, switches


def _at(job: Job, model: ValueModel, hour_value: float) -> Course:
    terms = job.terms.model_copy(update={"hour_value": hour_value})
    return course_of(job_of(job.lattice, job.value, model, terms, job.shop, job.done))


def _steps(course: Course) -> tuple[str, ...]:
    return tuple(stage.act.id for stage in course.stages) if course.works else ()


def _switch(job: Job, model: ValueModel, low: float, high: float, before: tuple[str, ...]) -> float:
    """Return the first value of an hour, between two, at which the list is no longer ``before``."""
    while high - low > CLOSE * job.terms.price_level:
        middle = (low + high) / 2
        if _steps(_at(job, model, middle)) == before:
            low = middle
        else:
            high = middle
    return round(high, 2)
