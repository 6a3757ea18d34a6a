"""What is really wrong with a machine, drawn from the trade's tables and hidden from the adviser.

The law is the tables' own, read here anew from catalogue/symptoms.toml and catalogue/fixes.toml: a symptom has one
cause; a fix whose odds under it are p cures where the one number u of the fault, drawn evenly between 0 and 1, is
below p; looks are independent given the cause. Nothing of the adviser's way to reckon with chances is used.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np

import valuer.domain
from valuer.domain.machine import Finding, Machine

TABLES = Path(valuer.domain.__file__).parent / "catalogue"
MOST_TRIES = 3
SAME = 1e-12


@cache
def table(name: str) -> dict[str, Any]:
    """One table of the trade as it stands in its file."""
    return tomllib.loads((TABLES / f"{name}.toml").read_text("utf-8"))


@cache
def symptom_of(fault: str) -> str | None:
    """The symptom that a fault is."""
    symptoms = table("symptoms")["symptoms"]
    return next((name for name, row in symptoms.items() if fault in row["stands_for"]), None)


def causes(finding: Finding, machine: Machine) -> dict[str, float]:
    """What can be behind a finding, with its chance; nothing where it is its own cause.

    A cause named as another of the symptom's own faults would have been found as that one; a crank that was
    measured straight is not bent.
    """
    symptom = symptom_of(finding.fault) if finding.chance >= 1 else None
    if symptom is None:
        return {}
    row = table("symptoms")["symptoms"][symptom]
    other = {fault for fault in row["stands_for"] if fault != finding.fault}
    other |= {"bent_crank"} if machine.checks.get("crank") == "passed" else set()
    left = {name: cause["chance"] for name, cause in row["causes"].items() if cause.get("fault") not in other}
    return {name: chance / sum(left.values()) for name, chance in left.items()}


def odds_of(fix: str, finding: Finding, cause: str | None) -> float:
    """The odds that a fix cures a finding whose cause is this one; without a cause those of the fault itself."""
    symptom = symptom_of(finding.fault)
    if cause is not None and symptom is not None:
        row = table("symptoms")["symptoms"][symptom]["causes"][cause]["fixes"].get(fix)
        return float(row[1]) if row else 0.0
    cure = table("fixes")[fix].get("cures", {}).get(finding.fault)
    if cure is None:
        return 0.0
    return float(cure.get(finding.severity, cure["odds"])[1])


def fixes_on(finding: Finding) -> list[str]:
    """The fixes that may cure a finding under any of its causes."""
    symptom = symptom_of(finding.fault) if finding.chance >= 1 else None
    if symptom is None:
        every = [name for name, row in table("fixes").items() if "cures" in row and not row.get("looks_only")]
        return [name for name in every if odds_of(name, finding, None) > 0]
    rows = table("symptoms")["symptoms"][symptom]["causes"].values()
    return list(dict.fromkeys(fix for row in rows for fix in row["fixes"]))


def shown_chances(finding: Finding, look: str, cause: str) -> dict[str, float]:
    """The chance of each result of a look when this is the cause; the result without figures takes the rest."""
    symptom = symptom_of(finding.fault)
    assert symptom is not None
    row = table("symptoms")["symptoms"][symptom].get("looks", {}).get(look)
    if row is None:
        own = table("symptoms")["own_look"]
        seen = own["seen_if_so"] if look == f"look_for_{cause}" else own["seen_if_not"]
        return {"seen": seen, "not_seen": 1 - seen}
    told = {
        name: one["seen"].get(cause, one.get("others", 0.0))
        for name, one in row["outcomes"].items()
        if one.get("seen") is not None
    }
    rest = max(0.0, 1.0 - sum(told.values()))
    return {name: told.get(name, rest) for name in row["outcomes"]}


@dataclass(frozen=True)
class Truth:
    """What is really wrong: the cause of each symptom, the number u of each fault, and what looks show."""

    causes: Mapping[str, str]
    lots: Mapping[str, float]
    seed: int

    def cures(self, fixes: Sequence[str], finding: Finding) -> bool:
        """Say whether some fixes, done on a fault, cure it."""
        cause = self.causes.get(finding.fault)
        return any(self.lots[finding.fault] < odds_of(fix, finding, cause) for fix in fixes)

    def shows(self, look: str, finding: Finding) -> str:
        """Return what a look shows; looked at twice it shows the same."""
        chances = shown_chances(finding, look, self.causes[finding.fault])
        words = f"{look} {finding.fault}".encode()
        lot = np.random.default_rng([self.seed, *words]).random() * sum(chances.values())
        for shown, chance in chances.items():
            lot -= chance
            if lot < 0:
                return shown
        return shown


def draw_truth(machine: Machine, found: Sequence[Finding], rng: np.random.Generator) -> Truth:
    """Draw what is really wrong with a machine."""
    drawn = {}
    for finding in found:
        behind = causes(finding, machine)
        if behind:
            drawn[finding.fault] = str(rng.choice(list(behind), p=list(behind.values())))
    return Truth(drawn, {item.fault: float(rng.random()) for item in found}, int(rng.integers(1 << 31)))


# ------------------------------------------------------------------------------------- a plan fixed at the start
@dataclass(frozen=True)
class Tries:
    """An order of tries on one fault: the fixes, the chance of coming to each, the chance that it ends cured."""

    fixes: tuple[str, ...]
    reach: tuple[float, ...]
    cured: float


def orders(
    finding: Finding, machine: Machine, most: int = MOST_TRIES, *, together: bool = True
) -> list[Tries]:
    """Every order of at most so many tries on a fault, none among them, with exact chances.

    Tried one after another until cured: under a cause, what is cured after some tries is the surest of them. If
    not ``together``, tries are taken as independent, by their odds on the fault itself.
    """
    known: dict[str | None, float] = dict(causes(finding, machine).items())
    behind = known or {None: 1.0}
    odds = {fix: np.array([odds_of(fix, finding, cause) for cause in behind]) for fix in fixes_on(finding)}
    chance = np.array(list(behind.values()))
    if not together:
        alone = {fix: odds_of(fix, finding, None) for fix in odds}
        odds, chance = {fix: np.array([p]) for fix, p in alone.items() if p > 0}, np.ones(1)
    found = [Tries((), (), 0.0)]
    for count in range(1, most + 1):
        for some in permutations(odds, count):
            each = np.stack([odds[fix] for fix in some])
            held = (
                np.maximum.accumulate(each, axis=0) if together else 1 - np.cumprod(1 - each, axis=0)
            ) @ chance
            if all(np.diff(held) > SAME):
                found.append(Tries(some, (1.0, *(1 - held[:-1]).tolist()), float(held[-1])))
    return found


def sure_worth(costs: Mapping[str, float], odds: Mapping[str, float], gone: float, there: float) -> float:
    """What is left when the cause is known and nothing but tries on this one fault can be done.

    By plain recursion on the odds of the surest fix that failed: stop, or any surer fix.
    """

    def from_here(failed: float) -> float:
        best = there
        for fix, p in odds.items():
            if p > failed:
                cured = (p - failed) / (1 - failed)
                best = max(best, cured * gone + (1 - cured) * from_here(p) - costs[fix])
        return best

    return from_here(0.0)
