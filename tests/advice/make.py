"""Machines, terms and jobs in one line each."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from tests.advice.fake import FakeModel
from valuer.advice.work.course import Course, course_of
from valuer.advice.work.documents import WorkList
from valuer.advice.work.done import Done
from valuer.advice.work.job import Job, jobs
from valuer.advice.work.work_list import work_list
from valuer.advice.work.workshop import Workshop, workshop
from valuer.domain.fixes import Fix, fix_catalogue
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

PROVED = {"recall": ("recall_open",), "crank": ("bent_crank",)}
"""Checks that come before any money; passed on these machines unless their fault is there."""


def machine(*faults: str, id: str = "m", drive: str = "rear_variable", **more: Any) -> Machine:  # noqa: A002
    """A mid-size driven machine with these faults, each ``fault:severity``; looked over, so it has no others.

    No recall is open and the crank is straight, unless said otherwise.
    """
    there = {fault.split(":")[0] for fault in faults}
    proved = {check: "passed" for check, means in PROVED.items() if there.isdisjoint(means)}
    given = {"id": id, "drive": drive, "looked_over": True, "checks": proved, "faults": list(faults), **more}
    return Machine.model_validate(given)


def untested(*faults: str, **more: Any) -> Machine:
    """The same machine when nobody looked for anything but these faults."""
    return machine(*faults, looked_over=None, **more)


def terms(**more: Any) -> ShopTerms:
    """Terms in May, an hour worth 15 unless said otherwise."""
    return ShopTerms.model_validate({"month": 5, **more})


def job(
    *faults: str, sound: float = 190.0, shop: Workshop | None = None, done: Done | None = None, **more: Any
) -> Job:
    """The job of one machine under the fake model; further words are terms, or fields of the machine."""
    asked = {name: value for name, value in more.items() if name in ShopTerms.model_fields}
    rest = {name: value for name, value in more.items() if name not in asked}
    one = machine(*faults, **rest)
    return jobs([one], FakeModel(sound), terms(**asked), shop, {one.id: done} if done else None)[0]


def course(*faults: str, **more: Any) -> Course:
    """The course of such a job within its terms."""
    return course_of(job(*faults, **more))


def told(*faults: str, sound: float = 190.0, **more: Any) -> WorkList:
    """The work list of such a job."""
    return work_list(course(*faults, sound=sound, **more), FakeModel(sound))


def list_of(
    one: Machine, asked: ShopTerms | None = None, done: Done | None = None, sound: float = 190.0
) -> WorkList:
    """The work list of a machine under the fake model."""
    model = FakeModel(sound)
    known: Mapping[str, Done] | None = {one.id: done} if done else None
    return work_list(course_of(jobs([one], model, asked or terms(), None, known)[0]), model)


def ids(found: WorkList) -> tuple[str, ...]:
    """The ids of a list's steps in working order, several fixes of one session joined by ``+``."""
    return tuple("+".join(part.id for part in step.parts_of_it) for step in found.steps)


def fix(name: str, **changes: Any) -> Fix:
    """A fix of the catalogue with some figures replaced; ``odds`` maps faults to a chance."""
    known = fix_catalogue()[name].model_dump(exclude_none=True)
    for fault, chance in changes.pop("odds", {}).items():
        known["cures"].setdefault(fault, {"tries": 6.0, "next": "leave_and_disclose"})
        known["cures"][fault] |= {"odds": {"low": chance, "likely": chance, "high": chance, "tries": 6.0}}
        for special in ("slight", "serious", "when"):
            known["cures"][fault].pop(special, None)
    return Fix.model_validate({**known, **changes})


def shop_with(*fixes: Fix) -> Workshop:
    """A workshop that offers these fixes and no others."""
    return workshop({item.id: item for item in fixes})


def changed_shop(*fixes: Fix) -> Workshop:
    """The usual workshop with these fixes in place of their namesakes."""
    return workshop({**fix_catalogue(), **{item.id: item for item in fixes}})


def close(first: float, second: float, within: float = 1e-9) -> bool:
    """Whether two figures agree."""
    return bool(np.isclose(first, second, rtol=0, atol=within))
