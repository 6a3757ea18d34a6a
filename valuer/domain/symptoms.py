"""Symptoms: what an unknown cause may turn out to be, and how looks and readings shift the odds.

Beliefs are mappings from cause id to probability and sum to 1. Everything here is Bayes' rule on the tables
of catalogue/symptoms.toml; what a look is worth is decided elsewhere.
"""

from collections.abc import Iterator, Mapping
from functools import cache
from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from valuer.domain.catalogue import CatalogueError, Mark, load_catalogue, named
from valuer.domain.faults import fault_catalogue
from valuer.domain.fixes import OddsRow, fix_catalogue
from valuer.domain.quantities import holds, is_reading
from valuer.domain.readings import Readings
from valuer.domain.record import Record, Several, wrong
from valuer.domain.words import one_of

Beliefs = Mapping[str, float]
_ROUNDING = 1e-9


class Cause(Record):
    """One thing the symptom may turn out to be."""

    id: str
    name: str
    chance: float = Field(gt=0, le=1, description="probability before anything is measured")
    hours: float = Field(ge=0, le=10, description="bench hours to find out whether it is this one")
    look: str = Field(description="how it is found out")
    running: bool = Field(default=False, description="found out only on an engine that runs")
    fault: str | None = Field(None, description="the fault it is called once known; absent: none is left")
    worth_named: float = Field(
        1.0,
        ge=1,
        le=2,
        description="price once it is known over that with the cause unknown, where it is no fault of its own",
    )
    fixes: dict[str, OddsRow] = Field(description="odds that a fix cures when this is the cause")


class Outcome(Record):
    """What a look may show, and how likely each cause makes it."""

    below: float | None = None
    at_least: float | None = None
    equals: str | bool | None = None
    seen: dict[str, float] | None = Field(None, description="chance of it by cause; absent: all that is left")
    others: float = Field(0.0, ge=0, le=1, description="chance of it under causes not named")


class Look(Record):
    """A step that tells causes apart. Its outcomes exclude each other and cover everything."""

    id: str
    name: str
    hours: float = Field(ge=0, le=10)
    parts: float = Field(0.0, ge=0, description="money at price level 1")
    fix: str | None = Field(None, description="the fix of the catalogue that is this look, if there is one")
    running: bool = Field(default=False, description="can be taken only on an engine that runs")
    same_as: str | None = Field(None, description="a look that is the same measurement: only one is taken")
    reading: str | None = Field(None, description="reading that answers it")
    outcomes: dict[str, Outcome]
    mark: Mark

    @model_validator(mode="after")
    def _one_remainder(self) -> "Look":
        rest = [name for name, outcome in self.outcomes.items() if outcome.seen is None]
        if len(rest) != 1:
            raise wrong("remainder", f"expected one outcome without figures, got {len(rest)}")
        if self.reading is not None and not is_reading(self.reading):
            raise wrong("unknown_reading", one_of("reading", self.reading, Readings.model_fields))
        return self


class Symptom(Record):
    """A fault whose cause is not known, with all it may be."""

    id: str
    name: str
    stands_for: Several[str] = Field(description="faults of the catalogue that are this symptom")
    causes: Annotated[dict[str, Cause], BeforeValidator(named)]
    looks: Annotated[dict[str, Look], BeforeValidator(named)] = Field(default_factory=dict)
    replaced: bool = Field(
        default=False, description="once the cause is found it is told in the symptom's place, not beside it"
    )
    worth_named: float = Field(
        1.0,
        ge=1,
        le=2,
        description="above 1 where a named cause raises the price: what it then is, at most, over that with the cause "
        "unknown, where no sale tells of both; how much other causes do, the sales tell",
    )
    mark: Mark

    @model_validator(mode="after")
    def _sums_to_one(self) -> "Symptom":
        total = sum(cause.chance for cause in self.causes.values())
        if abs(total - 1.0) > _ROUNDING:
            raise wrong("chances", f"expected chances of causes that sum to 1, got {total:g}")
        return self

    @model_validator(mode="after")
    def _outcomes_fit(self) -> "Symptom":
        for look in self.looks.values():
            named_in = {cause for outcome in look.outcomes.values() for cause in outcome.seen or ()}
            strangers = sorted(named_in - set(self.causes))
            if strangers:
                raise wrong("strangers", f"looks.{look.id}: expected causes, got {', '.join(strangers)}")
            over = [cause for cause in self.causes if _told(look, cause) > 1.0 + _ROUNDING]
            if over:
                raise wrong("chances", f"looks.{look.id}: expected chances up to 1 in sum under {over[0]}")
        return self


class OwnLook(Record):
    """How well looking for one cause by its own way tells whether it is that cause."""

    seen_if_so: float = Field(gt=0, lt=1)
    seen_if_not: float = Field(gt=0, lt=1)
    mark: Mark


class Symptoms(Record):
    """The whole table of symptoms."""

    own_look: OwnLook
    symptoms: Annotated[dict[str, Symptom], BeforeValidator(named)]


@cache
def _table() -> Symptoms:
    table: Symptoms = load_catalogue("symptoms.toml", Symptoms)
    check_symptoms(table, "catalogue/symptoms.toml")
    return table


def symptom_catalogue() -> dict[str, Symptom]:
    """Return all symptoms by id, checked: chances sum to 1, every fault and fix is known."""
    return _table().symptoms


def check_symptoms(table: Symptoms, file: str) -> None:
    """Raise CatalogueError unless every fault and fix named in the table is in its catalogue."""
    problems = [problem for symptom in table.symptoms.values() for problem in _problems(symptom)]
    if problems:
        raise CatalogueError("\n".join(f"{file}: symptoms.{problem}" for problem in problems))


def _problems(symptom: Symptom) -> Iterator[str]:
    faults = {*symptom.stands_for, *(cause.fault for cause in symptom.causes.values() if cause.fault)}
    fixes = {fix for cause in symptom.causes.values() for fix in cause.fixes}
    fixes |= {look.fix for look in symptom.looks.values() if look.fix}
    for name in sorted(faults - set(fault_catalogue())):
        yield f"{symptom.id}: expected a fault of faults.toml, got {name}"
    for name in sorted(fixes - set(fix_catalogue())):
        yield f"{symptom.id}: expected a fix of fixes.toml, got {name}"


@cache
def symptom_for(fault: str) -> Symptom | None:
    """Return the symptom a fault is, when its cause may be unknown; None when the fault is its own cause."""
    return _by_fault().get(fault)


@cache
def _by_fault() -> Mapping[str, Symptom]:
    every = reversed(symptom_catalogue().values())  # the first that stands for a fault is its symptom
    return {fault: symptom for symptom in every for fault in symptom.stands_for}


@cache
def may_cure(fix: str) -> tuple[str, ...]:
    """Faults that a fix may cure: by itself, then those whose cause it may be; ids of the catalogue of faults."""
    behind = (
        fault
        for fault, symptom in _by_fault().items()
        if any(fix in cause.fixes for cause in symptom.causes.values())
    )
    return tuple(dict.fromkeys((*fix_catalogue()[fix].cures, *behind)))


def usual_odds(fix: str, fault: str) -> float:
    """Return the odds that a fix cures a fault of which nothing more is known, 0 to 1."""
    cure, symptom = fix_catalogue()[fix].cures.get(fault), symptom_for(fault)
    if cure is not None:
        return cure.odds.likely
    causes = symptom.causes.values() if symptom else ()
    return sum(cause.chance * cause.fixes[fix].likely for cause in causes if fix in cause.fixes)


@cache
def jobs() -> tuple[tuple[str, ...], ...]:
    """Symptoms with their causes, by the trade's catalogue: one loss, not several.

    Each fault is in the first job that names it, the symptoms in the order of the catalogue of symptoms.
    """
    catalogue, taken, found = fault_catalogue(), set[str](), []
    for symptom in symptom_catalogue().values():
        members = [
            f for name in symptom.stands_for for f in (name, *catalogue[name].causes) if f not in taken
        ]
        taken |= set(members)
        found.append(tuple(dict.fromkeys(members)))
    return tuple(job for job in found if len(job) > 1)


def worth_named(fault: str) -> float:
    """Return what a machine is worth when the cause of this symptom is named, over when it is not: see `Symptom`."""
    symptom = symptom_for(fault)
    return symptom.worth_named if symptom else 1.0


@cache
def raised_when_named() -> dict[str, tuple[str, ...]]:
    """Return the faults that frighten less once one of their causes is named, each with these; ids of the catalogue."""
    return {
        fault: tuple(fault_catalogue()[fault].causes)
        for fault, symptom in _by_fault().items()
        if symptom.worth_named > 1 and fault_catalogue()[fault].causes
    }


def replaced(fault: str) -> bool:
    """Say whether a fault is a symptom that is no longer told once its cause is found."""
    symptom = symptom_for(fault)
    return symptom is not None and symptom.replaced


def prior(symptom: Symptom) -> dict[str, float]:
    """Return the probability of each cause before anything is measured."""
    return {name: cause.chance for name, cause in symptom.causes.items()}


@cache
def _own_looks(symptom_id: str) -> tuple[Look, ...]:
    own = _table().own_look
    return tuple(
        Look(
            id=f"look_for_{cause.id}",
            name=cause.look,
            hours=cause.hours,
            running=cause.running,
            outcomes={
                "seen": Outcome(seen={cause.id: own.seen_if_so}, others=own.seen_if_not),
                "not_seen": Outcome(),
            },
            mark=own.mark,
        )
        for cause in symptom_catalogue()[symptom_id].causes.values()
    )


def looks(symptom: Symptom) -> tuple[Look, ...]:
    """Return every look: those that tell several causes apart, then the own look of each cause."""
    return (*symptom.looks.values(), *_own_looks(symptom.id))


_WORK_IN_WORDS = {
    "run_engine": ("run", "idle", "running", "steadies", "puff", "tachometer"),
    "fuel_work": (
        "fuel",
        "carburettor",
        "bowl",
        "prime",
        "jar",
        "choke",
        "line",
        "cap",
        "needle",
        "drips",
        "tank",
    ),
    "spray": ("degrease", "mist", "cleaned", "spray"),
    "compression_test": ("compression", "leak-down", "wet test", "bore", "gauge"),
    "rope_starter": ("starter", "rope", "recoil", "in hand"),
    "flywheel": ("flywheel", "key", "nut off", "crank seal, flywheel"),
    "tip": ("blade", "deck", "wheels up", "belt", "seam", "cover off"),
    "blade": ("blade",),
    "battery": ("battery", "meter", "charge"),
}
"""Words by which the text of a look tells what work it is, for the cautions beside it."""


def look_actions(look: Look) -> tuple[str, ...]:
    """Return the words whose cautions belong to a look: hands near the machine, what its text says, its reading."""
    text = f"{look.name} {look.id.replace('_', ' ')}".lower()
    told = [action for action, words in _WORK_IN_WORDS.items() if any(word in text for word in words)]
    reading = (
        look.reading if look.reading in Readings.model_fields else None
    )  # others are worked out from readings
    more = [word for word in (look.fix, reading) if word]
    return ("hands_on", *told, *(["run_engine"] if look.running else []), *more)


def likelihood(look: Look, outcome: str, cause: str) -> float:
    """Return the chance of an outcome of a look when this is the cause, 0 to 1."""
    row = look.outcomes[outcome]
    if row.seen is None:
        return max(0.0, 1.0 - _told(look, cause))
    return row.seen.get(cause, row.others)


def _told(look: Look, cause: str) -> float:
    return sum(row.seen.get(cause, row.others) for row in look.outcomes.values() if row.seen is not None)


def outcome_chances(look: Look, beliefs: Beliefs) -> dict[str, float]:
    """Return the chance of each outcome of a look under the beliefs; they sum to 1."""
    return {
        outcome: sum(chance * likelihood(look, outcome, cause) for cause, chance in beliefs.items())
        for outcome in look.outcomes
    }


def updated(look: Look, outcome: str, beliefs: Beliefs) -> dict[str, float]:
    """Return the beliefs after an outcome was seen (Bayes' rule).

    An outcome that no cause allows leaves the beliefs as they were: the table is wrong then, not the eye.
    """
    weights = {cause: chance * likelihood(look, outcome, cause) for cause, chance in beliefs.items()}
    total = sum(weights.values())
    if total <= _ROUNDING:
        return dict(beliefs)
    return {cause: weight / total for cause, weight in weights.items()}


def answered(look: Look, readings: Readings) -> str | None:
    """Return the outcome that the readings already give a look, or None when they do not."""
    if look.reading is None:
        return None
    return next((name for name, row in look.outcomes.items() if _matches(row, look.reading, readings)), None)


def _matches(row: Outcome, reading: str, readings: Readings) -> bool:
    return holds(readings, reading, below=row.below, at_least=row.at_least, equals=row.equals)


def posterior(
    symptom: Symptom, readings: Readings, seen: Mapping[str, str] | None = None
) -> dict[str, float]:
    """Return the probability of each cause after readings and looks; they sum to 1.

    ``seen`` gives the outcome of looks already taken, by look id; it comes before what a reading says. Looks
    are taken as independent given the cause. Raises ValueError for a look or outcome that is not known.
    """
    taken = dict(seen or {})
    steps = {look.id: look for look in looks(symptom)}
    for name, outcome in taken.items():
        if name not in steps:
            raise ValueError(one_of("look", name, steps))
        if outcome not in steps[name].outcomes:
            raise ValueError(one_of(f"outcome of {name}", outcome, steps[name].outcomes))
    beliefs = prior(symptom)
    for look in steps.values():
        shown = taken.get(look.id) or answered(look, readings)
        beliefs = updated(look, shown, beliefs) if shown else beliefs
    return beliefs
