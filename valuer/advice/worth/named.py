"""What buyers make of a symptom by what is known of its cause."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from valuer.advice.ports import LEVEL, FloatArray, ValueModel
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding, Machine
from valuer.domain.readings import Readings
from valuer.domain.symptoms import (
    Beliefs,
    Symptom,
    answered,
    looks,
    posterior,
    replaced,
    symptom_catalogue,
    symptom_for,
    updated,
)

KNOWN = 0.8
"""A cause counts as known, and is told to a buyer, when it is this likely (judgement, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Named:
    """Prices of a symptom by its cause, c causes.

    ``prices``, shape (c,), is the price with each cause known as a share of that with the cause unknown; ``names``
    what a buyer is told each is; ``first`` the average of the prices before anything is known of the cause.
    """

    prices: FloatArray
    names: tuple[str, ...]
    first: float

    def only(self, places: Sequence[int]) -> "Named":
        """Return the prices of some causes; the average before anything is known stays."""
        return Named(self.prices[list(places)], tuple(self.names[place] for place in places), self.first)

    def factor(self, beliefs: FloatArray) -> FloatArray:
        """Return what the price is multiplied with at some beliefs, shape (n, c), shape (n,).

        Unknown, it moves with what was seen, beginning at 1; known, it is that of a machine with this cause. A
        known cause is never worth less on average than the unknown: buyers fear the worst of what nobody names.
        """
        worth = beliefs @ self.prices
        groups = np.array([self.names.index(name) for name in self.names])
        told = np.stack([beliefs[:, groups == group].sum(axis=1) for group in np.unique(groups)])
        known = told.max(axis=0) >= KNOWN
        return np.asarray(np.where(known, worth / min(self.first, 1.0), worth / self.first))

    @property
    def span(self) -> tuple[float, float]:
        """Bounds of the factor, whatever the beliefs."""
        low, high = float(self.prices.min()), float(self.prices.max())
        return low / self.first, high / min(self.first, 1.0)


def open_symptom(item: Finding) -> Symptom | None:
    """Return the symptom a finding is, where its cause may be unknown."""
    return symptom_for(item.fault) if item.chance >= 1 else None


def causes_of(item: Finding, symptom: Symptom, machine: Machine, *, straight: bool = False) -> Beliefs:
    """Return the chances of the causes that can be behind a finding, after what readings say; they sum to 1.

    A cause that is another of the symptom's own faults would have been found as that one; a crank that was
    measured, or is taken as ``straight``, is not bent.
    """
    straight = straight or machine.checks.get("crank") == "passed"
    fits = {
        name: chance
        for name, chance in _after_readings(symptom.id, machine.readings).items()
        if chance > 0
        and not (straight and symptom.causes[name].fault == "bent_crank")
        and (symptom.causes[name].fault not in symptom.stands_for or symptom.causes[name].fault == item.fault)
    }
    total = sum(fits.values())
    return {name: chance / total for name, chance in fits.items()}


@lru_cache(maxsize=1024)
def _after_readings(symptom: str, readings: Readings) -> Beliefs:
    """Return the chances of a symptom's causes by what readings say: asked for again for each machine it may be."""
    return posterior(symptom_catalogue()[symptom], readings)


def shown_about(
    item: Finding, symptom: Symptom, seen: Mapping[str, str], readings: Readings
) -> dict[str, str]:
    """Return what looks have shown about a symptom, by look; what a reading answers is not told twice.

    ``seen`` has ``LOOK`` or, where a look showed different things about two faults, ``LOOK:FAULT``; another
    symptom's look of the same name may show other things.
    """
    known = {look.id: look.outcomes for look in looks(symptom) if answered(look, readings) is None}
    found = {}
    for name, shown in sorted(seen.items(), key=lambda pair: ":" in pair[0]):
        look, _, fault = name.partition(":")
        if fault in ("", item.fault) and shown in known.get(look, ()):
            found[look] = shown
    return found


def faults_behind(item: Finding, found: Sequence[Finding]) -> tuple[str, ...]:
    """Return the faults that may be what a finding is a symptom of, without those that were found beside it."""
    symptom = open_symptom(item)
    if symptom is None:
        return ()
    known = {other.fault for other in found}
    return tuple(fault for fault in _every_fault_behind(symptom.id) if fault not in known)


@cache
def _every_fault_behind(symptom: str) -> tuple[str, ...]:
    return tuple(sorted({c.fault for c in symptom_catalogue()[symptom].causes.values() if c.fault}))


def told_in_its_place(item: Finding, fault: str) -> bool:
    """Say whether a fault that is the cause of a finding is told instead of it: no sale tells of the two as one."""
    return replaced(item.fault) or fault not in fault_catalogue()[item.fault].causes


def with_cause(row: FloatArray, behind: Sequence[tuple[Finding, str]], model: ValueModel) -> FloatArray:
    """Return the model's rows, shape (n, p), of a machine with each of n faults named as a finding's cause.

    It is as grave as the finding where it can be.
    """
    rows, each = np.repeat(row[None], len(behind), axis=0), range(len(behind))
    for place, (item, fault) in enumerate(behind):
        if told_in_its_place(item, fault):
            rows[place, model.fault_column(item.fault)] = 0.0
    rows[each, [model.fault_column(fault) for _, fault in behind]] = [
        LEVEL[item.severity if item.severity in (can := fault_catalogue()[fault].severities) else can[-1]]
        for item, fault in behind
    ]
    return rows


def named_prices(symptom: Symptom, before: Beliefs, instead: Mapping[str, float]) -> Named:
    """Return the prices of a symptom by its cause, everything else left in.

    ``before`` are the beliefs before anything is known of the cause; ``instead`` is the price with each fault that is
    a cause named, as a share of the price with the symptom.
    """
    causes = [symptom.causes[name] for name in before]
    told = [c.worth_named if c.fault else symptom.worth_named for c in causes]
    prices = np.array([instead.get(c.fault or "", worth) for c, worth in zip(causes, told, strict=True)])
    first = float(np.array(list(before.values())) @ prices)
    return Named(prices, tuple(c.fault or name for name, c in zip(before, causes, strict=True)), first)


def told_factor(item: Finding, machine: Machine, instead: Mapping[str, float]) -> float:
    """Return what the price is multiplied with by what the machine's own file says of a symptom's cause.

    That is a cause known for sure, or what looks have shown; 1 where it says nothing. ``instead`` as in
    `named_prices`.
    """
    symptom = open_symptom(item) if machine.causes or machine.seen else None
    if symptom is None:
        return 1.0
    known, shown = machine.causes.get(item.fault), shown_about(item, symptom, machine.seen, machine.readings)
    if known is None and not shown:
        return 1.0
    before = causes_of(item, symptom, machine)
    after = {known: 1.0} if known else posterior_of(symptom, before, shown)
    both = {name: before.get(name, 0.0) for name in {**before, **after}}
    named = named_prices(symptom, both, instead)
    return float(named.factor(np.array([[after.get(name, 0.0) for name in both]]))[0])


def posterior_of(symptom: Symptom, beliefs: Beliefs, shown: Mapping[str, str]) -> Beliefs:
    """Return the beliefs after what looks have shown (Bayes' rule)."""
    for look in looks(symptom):
        if look.id in shown:
            beliefs = updated(look, shown[look.id], beliefs)
    return beliefs
