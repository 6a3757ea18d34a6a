"""A symptom beside its cause is one loss told twice, and what buyers are told of the two.

They hear of both: a non-runner whose cause is named frightens less than one that nobody has looked into, and the sales
tell how much less. A leak of unknown source is the named leak once that is found.
"""

from collections.abc import Collection, Sequence

from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding
from valuer.domain.symptoms import raised_when_named, replaced


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


def told_beside(found: Sequence[Finding]) -> dict[str, frozenset[str]]:
    """Return the symptoms told twice that buyers hear of beside their causes, each with what keeps it up."""
    return {item.fault: stands_by(item, found) for item in told_twice(found) if not replaced(item.fault)}


def told_behind(found: Sequence[Finding]) -> frozenset[str]:
    """Return the faults that buyers hear of as what is behind a symptom, and make less of it for.

    One that explains the symptom takes it along when it is cured; one too slight or too doubtful for that does not.
    What keeps up such a fault that is a symptom itself is one too.
    """
    names = frozenset(item.fault for item in found)
    symptoms = names & raised_when_named().keys()
    if not symptoms:
        return symptoms
    behind = names & frozenset[str]().union(*(raised_when_named()[symptom] for symptom in symptoms))
    return behind.union(*(stands_by(item, found) for item in told_twice(found) if item.fault in behind))


def as_priced(found: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return the findings that a price is of: a symptom that its cause takes the place of is left out."""
    return tuple(item for item in found if not (replaced(item.fault) and causes_beside(item, found)))


def gone_with(found: Sequence[Finding], cured: Collection[str]) -> frozenset[str]:
    """Return the faults that are gone once some are cured: these, and symptoms told twice that nothing keeps up."""
    gone = frozenset(cured)
    return gone | {item.fault for item in told_twice(found) if stands_by(item, found) <= gone}
