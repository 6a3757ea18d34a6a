"""Fixes: what can be done about a fault, with parts, hours, odds, and what follows when it fails."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cache
from math import prod
from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field, model_validator

from valuer.domain.catalogue import CatalogueError, Mark, Span, by_id, load_catalogue
from valuer.domain.cautions import caution_catalogue
from valuer.domain.faults import Severity, fault_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Finding
from valuer.domain.quantities import holds, is_reading
from valuer.domain.readings import Readings
from valuer.domain.record import Record, Several, wrong

Bound = Literal["low", "likely", "high"]

Route = Literal[
    "leave_and_disclose",
    "sell_for_repair",
    "sell_as_push",
    "sell_as_rope_start",
    "sell_without_bag",
    "part_out",
    "scrap_whole",
]

ROUTES: Mapping[str, str] = {
    "leave_and_disclose": "leave it, sell as working and say so",
    "sell_for_repair": "sell for repair, not to be run, the fault named",
    "sell_as_push": "take the drive off the list and sell as a push machine",
    "sell_as_rope_start": "sell as a rope starter, the dead electric start named",
    "sell_without_bag": "sell without a bag and say so",
    "part_out": "break it for parts",
    "scrap_whole": "scrap it whole; no part that was at fault is passed on",
}
"""Where a chain of fixes ends, in plain words."""


class Odds(Record):
    """Chance that a fix cures a fault wholly: 10 %, best guess and 90 % of belief, each 0 to 1.

    ``tries`` is the weight of that belief counted in own tries (a beta prior of mean ``likely``).
    """

    low: float = Field(ge=0, le=1)
    likely: float = Field(ge=0, le=1)
    high: float = Field(ge=0, le=1)
    tries: float = Field(6.0, gt=0, le=100)

    @model_validator(mode="after")
    def _rising(self) -> "Odds":
        if not self.low <= self.likely <= self.high:
            raise wrong(
                "odds",
                f"expected low <= likely <= high, got {self.low:g}, {self.likely:g} and {self.high:g}",
            )
        return self


def _odds(value: object) -> object:
    if isinstance(value, list) and len(value) == len(get_args(Bound)):
        return dict(zip(get_args(Bound), value, strict=True))
    return value


OddsRow = Annotated[Odds, BeforeValidator(_odds)]


class OddsWhen(Record):
    """Odds that hold once a reading is known: ``below``, ``at_least`` or ``equals`` a value."""

    reading: str
    below: float | None = None
    at_least: float | None = None
    equals: str | bool | None = None
    odds: OddsRow


class Cure(Record):
    """What a fix can do about one fault."""

    odds: OddsRow = Field(description="low, likely, high chance of curing it wholly")
    tries: float = Field(gt=0, le=100, description="weight of the odds, in own tries")
    next: str = Field(description="what follows when it fails: a fix or a closing route")
    slight: OddsRow | None = Field(None, description="odds when the fault is slight")
    serious: OddsRow | None = Field(None, description="odds when the fault is serious")
    when: Several[OddsWhen] = Field((), description="odds once a reading is known, first match wins")
    mark: Mark | None = Field(None, description="where these odds come from, if not as the whole fix")


class Fix(Record):
    """One thing that can be done. Money at price level 1, hours without strip-down."""

    id: str
    name: str
    looks_only: bool = Field(default=False, description="finds out and cures nothing")
    next: str | None = Field(None, description="what follows a look that finds nothing")
    parts: Span = Field(description="cost of parts, low and high")
    hours: Span = Field(description="own bench hours without strip-down, low and high")
    strip_down: Several[str] = Field((), description="shared work it needs")
    snag: float = Field(ge=0, le=1, description="chance of making something else worse")
    wait_days: Span = Field(description="days of waiting for parts or a test, low and high")
    proof: str | None = Field(None, description="what must be seen before it is called cured")
    retest: Several[str] = Field((), description="safety gates to be passed again afterwards")
    consumables: str | None = None
    tools: str | None = None
    cautions: Several[str] = Field((), description="codes of the cautions to show beside it")
    cures: dict[str, Cure] = Field(default_factory=dict, description="by fault")
    mark: Mark


class StripDown(Record):
    """Work that several fixes share."""

    id: str
    name: str
    hours: float = Field(gt=0, le=10)
    needs: Several[str] = ()
    mark: Mark


class NeverOffered(Record):
    """Work that is never advised, and why."""

    id: str
    action: str
    faults: Several[str]
    reason: str
    mark: Mark


@cache
def strip_down_catalogue() -> dict[str, StripDown]:
    """Return the shared strip-down work by id."""
    return load_catalogue("strip_down.toml", by_id(StripDown))


@cache
def never_offered() -> tuple[NeverOffered, ...]:
    """Return the work that is never advised."""
    return tuple(load_catalogue("never_offered.toml", by_id(NeverOffered)).values())


@cache
def fix_catalogue() -> dict[str, Fix]:
    """Return all fixes by id, checked: every name they use is known and every chain of fallbacks ends."""
    fixes = load_catalogue("fixes.toml", by_id(Fix))
    check_fixes(fixes, "catalogue/fixes.toml")
    return fixes


def check_fixes(fixes: Mapping[str, Fix], file: str) -> None:
    """Raise CatalogueError unless names are known, fallbacks fit and chains end in a route."""
    problems = [problem for fix in fixes.values() for problem in _problems(fix, fixes)]
    if problems:
        raise CatalogueError("\n".join(f"{file}: {problem}" for problem in problems))


def _problems(fix: Fix, fixes: Mapping[str, Fix]) -> Iterator[str]:
    yield from _unknown(fix, "strip_down", fix.strip_down, strip_down_catalogue(), "strip_down.toml")
    yield from _unknown(fix, "retest", fix.retest, gate_catalogue(), "safety.toml")
    yield from _unknown(fix, "cautions", fix.cautions, caution_catalogue(), "cautions.toml")
    yield from _unknown(fix, "cures", fix.cures, fault_catalogue(), "faults.toml")
    if fix.looks_only and fix.next not in (*fixes, *ROUTES):
        yield f"{fix.id}.next: expected a fix or a route, got {fix.next}"
    for fault, cure in fix.cures.items():
        yield from _cure_problems(fix, fault, cure, fixes)


def _unknown(fix: Fix, key: str, names: Iterable[str], known: Collection[str], file: str) -> Iterator[str]:
    return (f"{fix.id}.{key}: expected a name from {file}, got {name}" for name in names if name not in known)


def _cure_problems(fix: Fix, fault: str, cure: Cure, fixes: Mapping[str, Fix]) -> Iterator[str]:
    key = f"{fix.id}.cures.{fault}"
    for case in cure.when:
        if not is_reading(case.reading):
            yield f"{key}.when: expected the name of a reading, got {case.reading}"
    if not _fits(cure.next, fault, fixes):
        yield f"{key}.next: expected a fix that cures {fault}, a look or a route, got {cure.next}"
    elif _loops(fix.id, fault, fixes):
        yield f"{key}.next: expected a chain that ends, got a loop"


def _fits(following: str, fault: str, fixes: Mapping[str, Fix]) -> bool:
    if following in ROUTES:
        return True
    return following in fixes and (fixes[following].looks_only or fault in fixes[following].cures)


def _loops(start: str, fault: str, fixes: Mapping[str, Fix]) -> bool:
    seen, step = {start}, fixes[start].cures[fault].next
    while step in fixes:
        if step in seen:
            return True
        seen.add(step)
        cure = fixes[step].cures.get(fault)
        step = cure.next if cure else fixes[step].next or ""
    return False


def fixes_for(fault: str) -> tuple[Fix, ...]:
    """Return the fixes that may cure a fault, in the order of the catalogue."""
    return tuple(fix for fix in fix_catalogue().values() if fault in fix.cures)


def odds(fix: Fix, finding: Finding, readings: Readings) -> Odds | None:
    """Return the odds that the fix cures the finding; None when it is no fix for that fault.

    Severity comes first where it rules a fix out, then what the readings tell. Odds of 0 mean that it is
    known not to work here (a patch on a structural hole) and must not be advised.
    """
    cure = fix.cures.get(finding.fault)
    if cure is None:
        return None
    known = _by_severity(cure, finding.severity)
    if known is None:
        known = next((case.odds for case in cure.when if _applies(case, readings)), cure.odds)
    return known.model_copy(update={"tries": cure.tries})


def _by_severity(cure: Cure, severity: Severity) -> Odds | None:
    return cure.slight if severity == "slight" else cure.serious


def _applies(case: OddsWhen, readings: Readings) -> bool:
    return holds(readings, case.reading, below=case.below, at_least=case.at_least, equals=case.equals)


def next_try(fix: Fix, fault: str) -> str:
    """Return what follows when the fix failed on the fault: a fix id or a route of `ROUTES`.

    Raises KeyError when the fix is no fix for the fault.
    """
    return fix.next if fix.looks_only and fix.next else fix.cures[fault].next


def fallback_chain(fix: Fix, fault: str) -> tuple[str, ...]:
    """Return the fix and all that follows while each fails, the closing route last.

    >>> fallback_chain(fix_catalogue()["needle_seat"], "fuel_leak_carb")
    ('needle_seat', 'carb_new_generic', 'carb_new_maker', 'sell_for_repair')
    """
    chain = [fix.id]
    while chain[-1] not in ROUTES:
        chain.append(next_try(fix_catalogue()[chain[-1]], fault))
    return tuple(chain)


def between(span: tuple[float, ...], bound: Bound) -> float:
    """Return the low end, the middle (likely) or the high end of a span."""
    low, high = span
    return {"low": low, "likely": (low + high) / 2, "high": high}[bound]


def strip_down_needed(fixes: Iterable[Fix]) -> frozenset[str]:
    """Return the strip-down work of a plan with all it needs first, each once."""
    groups = strip_down_catalogue()
    needed: set[str] = set()
    waiting = [group for fix in fixes for group in fix.strip_down]
    while waiting:
        group = waiting.pop()
        if group not in needed:
            needed.add(group)
            waiting.extend(groups[group].needs)
    return frozenset(needed)


def strip_down_hours(groups: Iterable[str]) -> float:
    """Return the hours of strip-down work, each group as often as it is named."""
    return sum(strip_down_catalogue()[group].hours for group in groups)


def bench_hours(fixes: Sequence[Fix], bound: Bound = "likely") -> float:
    """Return the bench hours of doing all fixes in one go, shared strip-down counted once.

    >>> round(bench_hours([fix_catalogue()["rings_hone"]]), 2)
    4.4
    """
    own = sum(between(fix.hours, bound) for fix in fixes)
    return own + strip_down_hours(strip_down_needed(fixes))


def parts_cost(fixes: Iterable[Fix], bound: Bound = "likely") -> float:
    """Return the cost of parts of all fixes, money at price level 1."""
    return sum(between(fix.parts, bound) for fix in fixes)


def snag_chance(fixes: Iterable[Fix]) -> float:
    """Return the chance that at least one of the fixes makes something else worse."""
    return 1.0 - prod(1.0 - fix.snag for fix in fixes)


def waiting_days(fixes: Iterable[Fix], bound: Bound = "likely") -> float:
    """Return the days of waiting when all parts are ordered at once: the longest wait."""
    return max((between(fix.wait_days, bound) for fix in fixes), default=0.0)
