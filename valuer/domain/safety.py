"""May this machine be sold as working? Not tested is not passed, and no price lifts a gate.

Sources: 16 CFR 1205.4 and 1205.5, 15 USC 2068 (United States). Elsewhere other limits hold.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Literal

from valuer.domain.cautions import Caution, caution_catalogue
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings, over_limit
from valuer.domain.fixes import fix_catalogue
from valuer.domain.gates import Gate, gate_catalogue, gates_named
from valuer.domain.machine import Finding, Machine
from valuer.domain.quantities import worst_blade_stop
from valuer.domain.readings import Readings
from valuer.domain.thresholds import thresholds
from valuer.domain.words import did_you_mean, shown

SOURCES = (
    "16 CFR 1205.5(a)(1): blade control, blade stops within 3.0 s (United States)",
    "16 CFR 1205.4: shields (United States)",
    "15 USC 2068(a)(2)(B)-(C): recalled products are not sold, offered or given away (United States)",
)

DEFERS = (
    "A repairer's summary, not legal advice: local law and codes come first, and where they or the maker ask "
    "for a licensed repairer, so do we."
)

STRIKE_FAULTS = frozenset({"blade_damaged", "sheared_key", "vibration", "blade_mount_loose", "bent_crank"})
"""Faults that follow from a strike: with one of them, now or before, the crank is measured."""

State = Literal["passed", "failed", "not_tested"]


@dataclass(frozen=True, slots=True)
class GateResult:
    """Where one gate stands, and why."""

    gate: str
    state: State
    reason: str


@dataclass(frozen=True, slots=True)
class SafetyVerdict:
    """Whether the machine may be sold as working.

    ``must_cure`` holds fault ids, ``unchecked`` gate ids; it may be sold only when both are empty.
    """

    may_be_sold: bool
    must_cure: tuple[str, ...]
    unchecked: tuple[str, ...]
    recall_block: bool
    gates: tuple[GateResult, ...]
    sources: tuple[str, ...]
    note: str


@dataclass(frozen=True, slots=True)
class RepairSale:
    """Whether the machine may be offered for repair or parts, and what must be said and done then."""

    may_be_offered: bool
    reason: str
    statement: tuple[str, ...]
    sources: tuple[str, ...]
    note: str


def safety_verdict(
    machine: Machine, blade_stop_limit_s: float = 3.0, cured: Collection[str] = ()
) -> SafetyVerdict:
    """Return whether the machine may be sold as working, and what is missing.

    ``cured`` names faults that were there and have been cured: a cured key still asks for the crank.
    """
    found = findings(machine, blade_stop_limit_s)
    results = gate_results(machine, blade_stop_limit_s, cured)
    must_cure = tuple(finding.fault for finding in found if finding.chance >= 1.0 and _must_cure(finding))
    unchecked = [result.gate for result in results if result.state == "not_tested"]
    doubtful = [finding for finding in found if finding.chance < 1.0 and _must_cure(finding)]
    unchecked += [gate for finding in doubtful for gate in _gates_of(finding.fault) if gate not in unchecked]
    return SafetyVerdict(
        may_be_sold=not must_cure and not unchecked,
        must_cure=must_cure,
        unchecked=tuple(unchecked),
        recall_block="recall_open" in must_cure,
        gates=results,
        sources=SOURCES,
        note=DEFERS,
    )


def _must_cure(finding: Finding) -> bool:
    return fault_catalogue()[finding.fault].must_be_cured(finding.severity)


def _gates_of(fault: str) -> list[str]:
    return [gate.id for gate in gate_catalogue().values() if fault in gate.faults]


def gate_results(
    machine: Machine, blade_stop_limit_s: float = 3.0, cured: Collection[str] = ()
) -> tuple[GateResult, ...]:
    """Return where each gate that applies to the machine stands."""
    if cured:
        return _results(machine, blade_stop_limit_s, cured)
    return machine.once(("gates", blade_stop_limit_s), lambda: _results(machine, blade_stop_limit_s, ()))


def _results(machine: Machine, blade_stop_limit_s: float, cured: Collection[str]) -> tuple[GateResult, ...]:
    found = findings(machine, blade_stop_limit_s)
    shutting = [finding for finding in found if _must_cure(finding)]
    return tuple(
        _result(gate, machine, shutting)
        for gate in gate_catalogue().values()
        if applies(gate, machine, found, cured)
    )


def applies(gate: Gate, machine: Machine, found: Iterable[Finding], cured: Collection[str] = ()) -> bool:
    """Say whether the gate asks anything of this machine."""
    if gate.applies == "driven":
        return machine.drive != "push"
    if gate.applies == "strike":
        struck = {finding.fault for finding in found} | set(cured)
        return bool(machine.readings.struck) or not STRIKE_FAULTS.isdisjoint(struck)
    return True


def _result(gate: Gate, machine: Machine, shutting: Iterable[Finding]) -> GateResult:
    """Where one gate stands; shutting: the findings that must be cured, whichever gate they shut."""
    shut = [finding for finding in shutting if finding.fault in gate.faults]
    sure = [finding for finding in shut if finding.chance >= 1.0]
    if sure:
        names = ", ".join(fault_catalogue()[finding.fault].name for finding in sure)
        return GateResult(gate=gate.id, state="failed", reason=f"{names} must be cured: {gate.basis}")
    if shut:
        return GateResult(
            gate=gate.id, state="not_tested", reason=f"reading in doubt, measure again: {gate.test}"
        )
    if (gate.by_check and machine.checks.get(gate.id) == "passed") or _answered(gate, machine):
        return GateResult(gate=gate.id, state="passed", reason=gate.passes + _remark(gate, machine))
    begun = _remark(gate, machine)
    return GateResult(gate=gate.id, state="not_tested", reason=f"not tested{begun}: {gate.test}")


def _answered(gate: Gate, machine: Machine) -> bool:
    values = [getattr(machine.readings, name) for name in gate.readings]
    if not values or any(value is None for value in values):
        return False
    if gate.id == "blade_stop" and len(machine.readings.blade_stop_s or ()) < thresholds().usual.stop_runs:
        return False
    if gate.id == "engine_speed":
        return over_limit(machine) is not None
    return gate.id != "fuel" or all(value == "dry" for value in values)


def _remark(gate: Gate, machine: Machine) -> str:
    worst = worst_blade_stop(machine.readings)
    if gate.id != "blade_stop" or worst is None:
        return ""
    runs, wanted = len(machine.readings.blade_stop_s or ()), thresholds().usual.stop_runs
    few = f"; only {runs} of {wanted} runs timed" if runs < wanted else ""
    near = "; close to the limit" if worst > thresholds().scales["blade_stop_s"].none_to else ""
    return f": {worst:g} s{near}{few}"


def repair_sale(machine: Machine, blade_stop_limit_s: float = 3.0) -> RepairSale:
    """Return what selling the machine for repair or parts needs: its own statement, and no open recall."""
    found = findings(machine, blade_stop_limit_s)
    results = gate_results(machine, blade_stop_limit_s)
    recall = next(result for result in results if result.gate == "recall")
    faults = [f"{fault_catalogue()[f.fault].name} ({f.severity})" for f in found if f.chance >= 1.0]
    untested = [r.gate for r in results if r.state == "not_tested"]
    blade = any(
        f.fault in gate_catalogue()[g].faults for f in found for g in ("blade_stop", "bail", "shields")
    )
    statement = (
        "Sold for repair or parts; not to be run until repaired.",
        "Known faults: " + ("; ".join(faults) or "none found") + ".",
        "Not tested: " + (gates_named(untested) or "nothing left out") + ".",
        "Fuel drained, plug lead off, tagged 'do not run'" + (", blade taken off." if blade else "."),
    )
    return RepairSale(
        may_be_offered=recall.state == "passed",
        reason=recall.reason,
        statement=statement if recall.state != "failed" else (),
        sources=SOURCES,
        note=DEFERS,
    )


def cautions_for(actions: Iterable[str]) -> tuple[Caution, ...]:
    """Return the cautions to show beside actions, each once, in order of their codes.

    An action is a fix id, the name of a reading to be taken, or an action word of catalogue/cautions.toml
    such as ``run_engine`` or ``repair_sale``. Raises ValueError for one that is not known.
    """
    codes = {code for action in actions for code in _codes(action)}
    return tuple(caution for caution in caution_catalogue().values() if caution.id in codes)


def _codes(action: str) -> list[str]:
    if action in fix_catalogue():
        return list(fix_catalogue()[action].cautions)
    codes = [caution.id for caution in caution_catalogue().values() if action in caution.beside]
    if not codes and action not in Readings.model_fields:
        known = {word for caution in caution_catalogue().values() for word in caution.beside}
        hint = did_you_mean(action, known | set(fix_catalogue()))
        raise ValueError(
            f"action must be a fix, a reading or an action of cautions.toml, got {shown(action)}{hint}"
        )
    return codes
