"""A machine after work on it: what was cured is off, and what the work touched counts as unmeasured again."""

from collections.abc import Iterable

from valuer.domain.findings import findings
from valuer.domain.fixes import fix_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Finding, Machine
from valuer.domain.safety import STRIKE_FAULTS
from valuer.records.entries import FixDone, MachineEntry


def with_fix(entry: MachineEntry, done: FixDone) -> MachineEntry:
    """Return the entry after a try: what was cured is off the machine, what was touched is unmeasured.

    A fix that names safety gates to be passed again takes their checks and readings away, cured or not:
    unmeasured is not passed. A reading that would still show the cured fault goes too.
    """
    machine = _unmeasured(entry.machine, done)
    if done.cured:
        machine = _without(machine, done.fault)
    if done.cured and done.fault in STRIKE_FAULTS:
        machine = _struck(machine)
    return entry.model_copy(update={"machine": machine, "fixes": (*entry.fixes, done)})


def _struck(machine: Machine) -> Machine:
    """The machine with the strike noted: what told of it is gone, the crank is still to be measured."""
    readings = machine.readings.model_dump() | {"struck": True}
    return Machine.model_validate(machine.model_dump(exclude_unset=True) | {"readings": readings})


def _unmeasured(machine: Machine, done: FixDone) -> Machine:
    gates = [gate_catalogue()[name] for name in fix_catalogue()[done.fix].retest]
    gone = {gate.id for gate in gates}
    readings = {name for gate in gates for name in gate.readings}
    return _changed(machine, readings, {name for name in machine.checks if name in gone}, None)


def _without(machine: Machine, fault: str) -> Machine:
    """The machine without the fault, declared or shown by a reading."""
    machine = _changed(machine, set(), set(), fault)
    for name in sorted(machine.readings.model_fields_set):
        if not _shows(findings(machine), fault):
            return machine
        tried = _changed(machine, {name}, set(), None)
        if not _shows(findings(tried), fault):
            return tried
    if not _shows(findings(machine), fault):
        return machine
    return _changed(machine, set(machine.readings.model_fields_set), set(machine.checks), None)


def _shows(found: Iterable[Finding], fault: str) -> bool:
    return any(finding.fault == fault for finding in found)


def _changed(machine: Machine, readings: set[str], checks: set[str], fault: str | None) -> Machine:
    """The machine without these readings, checks and this declared fault."""
    wire = machine.model_dump(exclude_unset=True)
    kept = {k: v for k, v in machine.readings.model_dump().items() if k not in readings}
    return Machine.model_validate(
        wire
        | {"readings": kept}
        | {"checks": {name: result for name, result in machine.checks.items() if name not in checks}}
        | {"faults": tuple(finding for finding in machine.faults if finding.fault != fault)}
    )
