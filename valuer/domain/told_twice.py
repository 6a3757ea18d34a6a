"""A symptom beside its cause is one loss told twice."""

from collections.abc import Collection, Sequence

from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding


def told_twice(found: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return the symptoms whose cause stands beside them: one loss, not two."""
    return tuple(item for item in found if causes_beside(item, found))


def causes_beside(symptom: Finding, found: Sequence[Finding]) -> frozenset[str]:
    """Return the faults found that bring a symptom about. A slight cause does not explain a serious symptom."""
    causes = fault_catalogue()[symptom.fault].causes
    return frozenset(
        item.fault
        for item in found
        if item.fault in causes
        and item.chance >= 1
        and symptom.chance >= 1
        and (item.severity == "serious" or symptom.severity == "slight")
    )


def stands_by(symptom: Finding, found: Sequence[Finding]) -> frozenset[str]:
    """Return the faults that keep up a symptom told twice: while one of them is there, so is the symptom.

    They are its causes beside it; where a cause is a symptom told twice itself, what keeps that one up.
    """
    twice = {item.fault: item for item in told_twice(found)}
    causes = causes_beside(symptom, found)
    return frozenset[str]().union(
        *(stands_by(twice[cause], found) if cause in twice else {cause} for cause in causes)
    )


def gone_with(found: Sequence[Finding], cured: Collection[str]) -> frozenset[str]:
    """Return the faults that are gone once some are cured: these, and symptoms told twice that nothing keeps up."""
    gone = frozenset(cured)
    return gone | {item.fault for item in told_twice(found) if stands_by(item, found) <= gone}
