"""What is known not to be there: faults that a reading or a passed check would have shown, and a dead engine."""

from collections.abc import Iterator

from valuer.domain.findings import measured
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine, parse_finding
from valuer.domain.quantities import reading_value
from valuer.domain.safety import gate_results
from valuer.domain.thresholds import thresholds

TAKEN_RUNNING = ("cold_pulls", "hot_run", "smoke", "engine_rpm", "blade_stop_s", "drive_pull_kgf")
"""Readings that only an engine that runs gives."""


def looked_for(machine: Machine) -> frozenset[str]:
    """Return the faults that the machine's readings and passed checks would have shown, there or not."""
    return frozenset(_looked_for(machine))


def _looked_for(machine: Machine) -> Iterator[str]:
    rules = thresholds()
    yield from (rules.scales[name].fault for name in measured(machine) if name in rules.scales)
    for name, rule in rules.words.items():
        if getattr(machine.readings, name) is not None:
            yield from (
                parse_finding(shown).fault for word, shown in rule.items() if word != "mark" and shown
            )
    for check in gate_results(machine):
        if check.state == "passed":
            yield from gate_catalogue()[check.gate].faults
    if seen_running(machine):
        yield "no_start"


def seen_running(machine: Machine) -> bool:
    """Say whether a reading was taken that only an engine that runs gives."""
    return any(reading_value(machine.readings, name) for name in TAKEN_RUNNING)
