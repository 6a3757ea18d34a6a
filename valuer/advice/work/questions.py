"""Attributes that are not known: what finding each out is worth, by a price that fits better."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from valuer.advice.ports import LEVEL, FloatArray, ValueModel
from valuer.advice.work.documents import Question
from valuer.advice.work.job import Job
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine, lacks
from valuer.domain.shop import at_price_level, season_month


@dataclass(frozen=True, slots=True)
class Attribute:
    """An attribute that may be unknown: minutes to find out, and the shares of its values, which sum to 1."""

    name: str
    how: str
    minutes: float
    shares: Mapping[object, float]


ATTRIBUTES = (
    Attribute(
        "age_years",
        "find out the age: date code on the engine, papers, the seller",
        5,
        {2.0: 0.2, 5.0: 0.3, 8.0: 0.25, 12.0: 0.25},
    ),
    Attribute(
        "tier",
        "find out the price class: what a comparable new machine costs",
        5,
        {"budget": 0.3, "mid": 0.45, "premium": 0.2, "commercial": 0.05},
    ),
    Attribute(
        "drive",
        "look how it is driven",
        1,
        {"push": 0.4, "front_one_speed": 0.15, "front_variable": 0.15, "rear_variable": 0.3},
    ),
    Attribute(
        "engine_class",
        "find out the engine: label, valve cover",
        3,
        {"side_valve": 0.15, "small_ohv": 0.3, "mid_ohv": 0.4, "large_ohv": 0.15},
    ),
    Attribute(
        "deck_material", "hold a magnet to the deck", 1, {"steel": 0.85, "aluminium": 0.1, "composite": 0.05}
    ),
    Attribute("start", "look for an electric starter", 1, {"rope": 0.85, "electric": 0.15}),
    Attribute("looks", "look at it in daylight", 2, {"scarred": 0.3, "scuffed": 0.5, "bright": 0.2}),
    Attribute("deck_width_in", "measure the deck", 2, {20.0: 0.2, 21.0: 0.5, 22.0: 0.25, 28.0: 0.05}),
)
"""Shares among machines offered by private sellers (common practice, no source), minutes (judgement)."""

PRICING_LOSS = 0.5
"""Share of the value lost by an ask that is off, per squared relative error (judgement, no source): asking 20
% wrong costs about 2 % of the price in waiting or in money left on the table."""


def questions_about(job: Job, model: ValueModel) -> tuple[Question, ...]:
    """Return the attributes of a machine that are not known, the one worth most a minute first."""
    missing = [item for item in ATTRIBUTES if getattr(job.machine, item.name) is None]
    possible = [
        [
            (machine, share)
            for value, share in item.shares.items()
            if (machine := _with_value(job.machine, item.name, value)) is not None
        ]
        for item in missing
    ]
    values = _values(job, [machine for some in possible for machine, _ in some], model)
    each = np.split(values, np.cumsum([len(some) for some in possible])[:-1])
    found = [
        Question(
            attribute=item.name,
            how=item.how,
            minutes=item.minutes,
            worth=_worth(np.array([share for _, share in some]), here),
        )
        for item, some, here in zip(missing, possible, each, strict=False)
    ]
    return tuple(sorted(found, key=lambda question: -question.worth / question.minutes))


def _values(job: Job, machines: Sequence[Machine], model: ValueModel) -> FloatArray:
    """Return the values of what the machine of a job may be, shape (n,), with the faults found on it."""
    if not machines:
        return np.zeros(0)
    months = season_month(job.terms)
    rows = model.encode([at_price_level(machine, job.terms.price_level) for machine in machines], months)
    for item in (*job.lattice.findings, *job.lattice.held):
        rows[:, model.fault_column(item.fault)] = LEVEL[item.severity]
    return model.value(rows) * job.terms.price_level


def _worth(shares: FloatArray, values: FloatArray) -> float:
    """Return what knowing which of some values it is is worth, its cost not off: an ask that fits the machine."""
    shares = shares / shares.sum()
    mean = float(shares @ values)
    return PRICING_LOSS * mean * float(shares @ (values / mean - 1) ** 2)


def _with_value(machine: Machine, name: str, value: object) -> Machine | None:
    """Return the machine with an attribute known; None where the faults on it rule this value out."""
    known = machine.model_copy(update={name: value})
    ruled_out = any(lacks(known, fault_catalogue()[item.fault]) for item in machine.faults)
    return None if ruled_out else known
