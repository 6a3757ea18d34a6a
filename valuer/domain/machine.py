"""Machine: what stands on the bench. Any attribute may be unknown, and unknown is never a guess."""

import re
from collections import Counter
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import (
    BeforeValidator,
    Field,
    PlainSerializer,
    PlainValidator,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from valuer.domain.bounds import MOST_MONEY
from valuer.domain.faults import Fault, Severity, fault_catalogue, fault_order
from valuer.domain.gates import gate_catalogue
from valuer.domain.readings import Readings
from valuer.domain.record import Named, Record, Remark, Several, Words, word_of, wrong
from valuer.domain.words import one_of, shown

T = TypeVar("T")

Drive = Literal["push", "front_one_speed", "front_variable", "rear_variable", "all_wheel", "hydrostatic"]
DeckMaterial = Literal["steel", "composite", "aluminium"]
EngineClass = Literal["side_valve", "small_ohv", "mid_ohv", "large_ohv", "overhead_cam"]
Start = Literal["rope", "electric"]
Tier = Literal["budget", "mid", "premium", "commercial"]
Looks = Literal["scarred", "scuffed", "bright"]
Kept = Literal["inside", "outside"]
CheckResult = Literal["passed", "failed"]

FORMER_LOOKS = {"clean": "bright", "used": "scuffed", "rough": "scarred"}
"""The words that stood for looks up to form 0003 of the store. Files and records of then are read with them."""

ID_PATTERN = r"^[._-]*[A-Za-z0-9][A-Za-z0-9._-]*$"
"""Letters, digits, dot, _ and -, one letter or digit at least: `.` and `..` would be lost in any address."""

MOST_OF_ID = 64


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault on a machine: which, how bad, and how sure. Its wire form is ``fault:severity``.

    ``chance`` is 1 for what was seen or clearly measured, between 0 and 1 for a reading in doubt.
    """

    fault: str
    severity: Severity
    chance: float = 1.0

    def __str__(self) -> str:
        return f"{self.fault}:{self.severity}"


def parse_finding(text: object) -> Finding:
    """Return the finding written as ``fault:severity``.

    Raises a validation error that names the nearest known fault or severity.
    """
    if isinstance(text, Finding):
        return text
    if not isinstance(text, str) or text.count(":") != 1:
        raise wrong("fault_form", f"a fault must be written fault:severity, got {shown(text)}")
    name, severity = (part.strip() for part in text.split(":"))
    fault = _known_fault(name)
    if severity not in get_args(Severity):
        raise wrong("unknown_severity", one_of(f"severity of {name}", severity, get_args(Severity)))
    if severity not in fault.severities:
        raise wrong("no_slight_form", f"{name} has no slight form; write {name}:serious or leave it out")
    return Finding(name, severity)


def _known_fault(name: str) -> Fault:
    fault = fault_catalogue().get(name)
    if fault is None:
        raise wrong("unknown_fault", one_of("fault", name, fault_catalogue()))
    return fault


WireFinding = Annotated[
    Finding,
    PlainValidator(parse_finding),
    PlainSerializer(str, return_type=str),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": "^[a-z_]+:(slight|serious)$",
            "description": "fault:severity, fault from the catalogue",
            "examples": ["starter_noise:slight"],
        }
    ),
]


def _looks(value: object) -> object:
    if value is None or value in get_args(Looks):
        return value
    now = FORMER_LOOKS.get(value) if isinstance(value, str) else None
    also = f"; {shown(value)} is called {now} now" if now else ""
    raise wrong("unknown_word", one_of("looks", value, get_args(Looks)) + also)


class Machine(Record):
    """One walk-behind petrol mower. Absent attributes are unknown and widen the value's interval."""

    id: str = Field(
        pattern=ID_PATTERN,
        max_length=MOST_OF_ID,
        description="own name of the machine: letters, digits, dot, _ and -",
    )
    note: Remark | None = Field(None, description="anything; never used in a calculation")
    called: Words | None = Field(
        None, description="what its owner calls it; shown, never used in a calculation"
    )
    maker: Words | None = Field(None, description="who made it, as on the plate; never used in a calculation")
    model: Words | None = Field(None, description="model, as on the plate; never used in a calculation")
    serial: Words | None = Field(
        None,
        description="serial number, for the recall check; never used in a calculation, never told to buyers",
    )
    drive: Annotated[Drive | None, word_of("drive", get_args(Drive))] = Field(
        None, description="how it is driven; push has no drive"
    )
    deck_width_in: float | None = Field(None, ge=18, le=33, description="width of the deck in inches")
    deck_material: Annotated[DeckMaterial | None, word_of("deck_material", get_args(DeckMaterial))] = Field(
        None, description="what the deck is made of"
    )
    engine_class: Annotated[EngineClass | None, word_of("engine_class", get_args(EngineClass))] = Field(
        None,
        description="side_valve, small_ohv (under 150 cc), mid_ohv (150-175 cc), large_ohv (over 175 cc), "
        "overhead_cam",
    )
    start: Annotated[Start | None, word_of("start", get_args(Start))] = Field(
        None, description="rope, or electric (with or without a rope beside it)"
    )
    tier: Annotated[Tier | None, word_of("tier", get_args(Tier))] = Field(
        None, description="price class of the comparable new machine"
    )
    age_years: float | None = Field(None, ge=0, le=40, description="years since it was new")
    looks: Annotated[Looks | None, BeforeValidator(_looks)] = Field(
        None,
        description="what is seen in daylight: bright (colour and stickers whole), scuffed (marks of use), scarred "
        "(dents, deep scratches, bare or rusty patches)",
    )
    kept: Annotated[Kept | None, word_of("kept", get_args(Kept))] = Field(
        None, description="where it stood most of its life"
    )
    blade_clutch: bool | None = Field(None, description="blade stops while the engine keeps running")
    mulch_kit: bool | None = Field(None, description="mulch plug or kit is there")
    high_wheels: bool | None = Field(None, description="rear wheels of 11 in or more")
    new_price: float | None = Field(
        None, gt=0, le=10_000_000, description="today's price of a comparable new machine, in own money"
    )
    faults: Several[WireFinding] = Field((), description="faults found, each fault:severity; order is free")
    readings: Readings = Field(
        default_factory=Readings, description="bench readings by name, the unit in the name"
    )
    looked_over: bool | None = Field(
        None, description="every fault of the list was looked for: what is not named is not there"
    )
    causes: Named[str] = Field(
        default_factory=dict,
        description="cause of a symptom, where it is known for sure, by fault: no_start = seized",
    )
    seen: Named[str] = Field(
        default_factory=dict, description="what looks have shown, by look: three_tests = spark"
    )
    new_parts: Several[str] = Field(
        (), description="fixes that would fit a part that is new on this machine: they are not advised"
    )
    own_parts: Named[Annotated[float, Field(ge=0, le=MOST_MONEY)]] = Field(
        default_factory=dict, description="what the parts of a fix cost for this machine, own money, by fix"
    )
    own_hours: Named[Annotated[float, Field(ge=0, le=100)]] = Field(
        default_factory=dict, description="own hours of a fix on this machine, strip-down apart, by fix"
    )
    checks: Named[Annotated[CheckResult, word_of("check result", get_args(CheckResult))]] = Field(
        default_factory=dict, description="safety checks done: passed or failed, by check id"
    )

    @cached_property
    def worked_out(self) -> dict[Hashable, Any]:
        """What was worked out of this machine so far, by what it is; see `once`."""
        return {}

    def once(self, what: Hashable, work: Callable[[], T]) -> T:
        """What some work on this machine comes to, done at the first call: the machine is frozen, so it stays true."""
        if what not in self.worked_out:
            self.worked_out[what] = work()
        found: T = self.worked_out[what]
        return found

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> "Machine":
        """The usual copy, of which nothing is worked out yet."""
        copied = super().model_copy(update=update, deep=deep)
        copied.__dict__.pop("worked_out", None)
        return copied

    @field_validator("id", mode="before")
    @classmethod
    def _speak_about_id(cls, value: object) -> object:
        if isinstance(value, str) and len(value) <= MOST_OF_ID and re.fullmatch(ID_PATTERN, value):
            return value
        raise wrong(
            "id_form",
            f"id must be 1 to 64 letters, digits, dot, _ or -, no dots alone, got {shown(value)}",
        )

    @field_validator("checks", mode="after")
    @classmethod
    def _known_checks(cls, checks: dict[str, CheckResult]) -> dict[str, CheckResult]:
        gates = gate_catalogue()
        for check, result in checks.items():
            if check not in gates:
                raise wrong("unknown_check", one_of("check", check, gates))
            if result == "passed" and not gates[check].by_check:
                needed = " and ".join(gates[check].readings)
                raise wrong(
                    "check_needs_reading", f"{check} is passed by readings, not by a word; give {needed}"
                )
        return checks

    @field_validator("faults", mode="after")
    @classmethod
    def _once_each(cls, faults: tuple[Finding, ...]) -> tuple[Finding, ...]:
        names = Counter(finding.fault for finding in faults)
        twice = sorted(name for name, times in names.items() if times > 1)
        if twice:
            raise wrong("fault_twice", f"a fault may stand once on a machine, got {', '.join(twice)} twice")
        return tuple(sorted(faults, key=lambda finding: fault_order()[finding.fault]))

    @model_validator(mode="after")
    def _faults_fit(self) -> "Machine":
        for finding in self.faults:
            lacking = lacks(self, fault_catalogue()[finding.fault])
            if lacking:
                raise wrong(
                    "fault_misfit", f"{finding.fault} cannot be on a machine with {lacking}; correct one"
                )
        return self


def lacks(machine: Machine, fault: Fault) -> str:
    """Return the attribute that rules the fault out on this machine (``drive push``), or an empty string."""
    ruled_out = {
        "drive": machine.drive == "push" and "drive push",
        "electric_start": machine.start == "rope" and "start rope",
        "blade_clutch": machine.blade_clutch is False and "no blade_clutch",
    }
    return ruled_out.get(fault.needs or "", False) or ""


def with_changes(machine: Machine, **changes: Any) -> Machine:
    """Return the machine with some fields replaced, validated again."""
    kept: Mapping[str, Any] = {name: getattr(machine, name) for name in machine.model_fields_set}
    return Machine.model_validate({**kept, **changes})
