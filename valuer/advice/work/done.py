"""How work done so far went, so that the rest is decided again from there."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Literal

from valuer.domain.fixes import fix_catalogue
from valuer.domain.machine import Finding
from valuer.domain.symptoms import may_cure
from valuer.domain.words import one_of

Result = Literal["worked", "failed"]


@dataclass(frozen=True, slots=True)
class Done:
    """Faults cured, the fixes that failed on each fault that is still there, and what looks have shown."""

    cured: frozenset[str]
    failed: Mapping[str, frozenset[str]]
    seen: Mapping[str, str] = field(default_factory=dict)


NOTHING_DONE = Done(frozenset(), {})


def done_work(found: Collection[Finding], results: Mapping[str, str]) -> Done:
    """Return what the results of work on these findings say.

    ``results`` maps ``FIX`` or ``FIX:FAULT`` to ``worked`` or ``failed``. Without a fault named the fix must
    act on one fault of the machine only, or have failed on all it acts on. Raises ValueError for a name or a
    result that is not known, or when it is not clear what worked.
    """
    cured: set[str] = set()
    failed: dict[str, frozenset[str]] = {}
    for name, result in results.items():
        if result not in ("worked", "failed"):
            raise ValueError(one_of(f"result of {name}", result, ("worked", "failed")))
        fix, faults = _meant(found, name, result)
        if result == "worked":
            cured.update(faults)
        else:
            failed.update({fault: failed.get(fault, frozenset()) | {fix} for fault in faults})
    return Done(frozenset(cured), {fault: tried for fault, tried in failed.items() if fault not in cured})


def _meant(found: Collection[Finding], name: str, result: str) -> tuple[str, list[str]]:
    fix, _, fault = name.partition(":")
    if fix not in fix_catalogue():
        raise ValueError(one_of("fix", fix, fix_catalogue()))
    able = [item.fault for item in found if item.fault in may_cure(fix)]
    if not able:
        raise ValueError(f"{fix} acts on no fault of this machine; leave it out, or add the fault it was for")
    if fault and fault not in able:
        raise ValueError(one_of(f"fault that {fix} acts on here", fault, able))
    if not fault and result == "worked" and len(able) > 1:
        several = " and ".join(able)
        raise ValueError(f"{fix} acts on {several} here; say which it cured, as {fix}:{able[0]}=worked")
    return fix, [fault] if fault else able
