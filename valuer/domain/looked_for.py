"""What is known not to be there: faults that a reading or a passed check would have shown, and a dead engine."""

from collections.abc import Iterator, Mapping
from functools import cache

from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings, measured
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Drive, Machine, Start, lacks, parse_finding
from valuer.domain.quantities import reading_value
from valuer.domain.safety import gate_results
from valuer.domain.thresholds import thresholds

TAKEN_RUNNING = ("cold_pulls", "hot_run", "smoke", "engine_rpm", "blade_stop_s", "drive_pull_kgf")
"""Readings that only an engine that runs gives."""


def looked_for(machine: Machine) -> frozenset[str]:
    """Return the faults that the machine's readings and passed checks would have shown, there or not."""
    if not machine.readings.model_fields_set and not machine.checks:  # most machines: nothing to look through
        return frozenset()
    return machine.once("looked for", lambda: frozenset(_looked_for(machine)))


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


USUALLY_SHOWN = 0.41
"""Share of what can be tested that those who say nothing of tests show a buyer: the mean of the invented market
(35 in 100 show nearly all of it, common practice; what the others show is invented)."""


def tested_share(machine: Machine) -> float:
    """Share of what a buyer could ask to see tested that is taken as shown and in order, 0 to 1.

    Each fault counts as often as machines on offer have it. What was looked for and is not there counts whole, of the
    rest as much as is shown of any machine; so whatever is found, more tested is never less, and all of it is 1.
    """
    if machine.looked_over:
        return 1.0
    if not machine.readings.model_fields_set and not machine.checks:
        return USUALLY_SHOWN
    return machine.once("tested share", lambda: _tested_share(machine))


def _tested_share(machine: Machine) -> float:
    weight = possible_faults(machine)
    there = {finding.fault for finding in findings(machine)}
    sound = (looked_for(machine) - there) & weight.keys()
    return USUALLY_SHOWN + (1.0 - USUALLY_SHOWN) * sum(weight[fault] for fault in sound) / sum(
        weight.values()
    )


def possible_faults(machine: Machine) -> Mapping[str, float]:
    """Return the faults that a machine of this kind can have, and how often machines on offer have each."""
    return _possible(machine.drive, machine.start, machine.blade_clutch)


@cache
def _possible(drive: Drive | None, start: Start | None, blade_clutch: bool | None) -> Mapping[str, float]:  # noqa: FBT001
    """The same by what `lacks` hangs on."""
    kind = Machine.model_construct(id="kind", drive=drive, start=start, blade_clutch=blade_clutch)
    return {fault.id: sum(fault.listed) for fault in fault_catalogue().values() if not lacks(kind, fault)}
