"""The words people use, from catalogue/words.toml: phrases as stems, and what each of them says."""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from pydantic import model_validator

from valuer.domain.catalogue import load_catalogue
from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.readings import Readings
from valuer.domain.record import Record, Several, wrong
from valuer.domain.symptoms import symptom_for
from valuer.domain.words import one_of
from valuer.intake.measures import digits

Level = Literal["slight", "serious", "slight_unless", "serious_unless", "open", "none"]
GUARDED = frozenset({"recall_open", "deck_rust_hole", "deck_crack", "bent_crank", "rod_knock"})
"""Faults that scrap a machine, or end its sale: never taken from a word that is only like theirs."""


class FaultWords(Record):
    """What a fault is called, by what the phrase says of it."""

    slight: Several[str] = ()
    serious: Several[str] = ()
    slight_unless: Several[str] = ()
    serious_unless: Several[str] = ()
    open: Several[str] = ()
    none: Several[str] = ()


class Unsure(Record):
    """Phrases that may mean several things, and the question that decides."""

    words: Several[str]
    may_be: Several[str]
    ask: str
    about: str = ""
    denies: bool = False


class Tells(Record):
    """States of parts in any order within a clause, by how bad each is."""

    fault: str
    parts: Several[str]
    slight: Several[str] = ()
    serious: Several[str] = ()
    open: Several[str] = ()
    none: Several[str] = ()


def known_causes(fault: str) -> tuple[str, ...]:
    """The causes that may be behind a symptom; none of any other fault."""
    symptom = symptom_for(fault)
    return tuple(symptom.causes) if symptom else ()


class Words(Record):
    """The file catalogue/words.toml."""

    mild: Several[str]
    wet: Several[str]
    bad: Several[str]
    not_there: Several[str]
    maybe: Several[str]
    mended: Several[str]
    unknown: Several[str]
    alone: Several[str]
    breakers: Several[str]
    limits: Several[str]
    figured: Several[str]
    filler: Several[str]
    same: dict[str, Several[str]]
    instead: dict[str, Several[str]]
    attributes: dict[str, dict[str, Several[str]]]
    readings: dict[str, dict[str, Several[str]]]
    checks: dict[str, dict[str, Several[str]]]
    causes: dict[str, dict[str, Several[str]]]
    faults: dict[str, FaultWords]
    unsure: Several[Unsure]
    tells: Several[Tells]
    speeds: dict[str, Several[str]]

    @model_validator(mode="after")
    def _known(self) -> "Words":
        named: list[tuple[Iterable[str], Collection[str]]] = [
            (self.attributes, Machine.model_fields),
            (self.readings, Readings.model_fields),
            (self.checks, gate_catalogue()),
            (self.faults, fault_catalogue()),
            *((causes, known_causes(fault)) for fault, causes in self.causes.items()),
            ([each.fault for each in self.tells], fault_catalogue()),
        ]
        for part, known in named:
            for name in part:
                if name not in known:
                    raise wrong("unknown_name", one_of("name", name, known))
        return self


@dataclass(frozen=True)
class Says:
    """What a phrase says: a value of an attribute, reading or check, a symptom's cause, a fault's level, a question."""

    kind: Literal["attribute", "reading", "check", "cause", "fault", "unsure", "speeds"]
    name: str
    value: str


@dataclass(frozen=True)
class Phrase:
    """A phrase as stems, and everything that it says."""

    stems: tuple[str, ...]
    says: tuple[Says, ...]

    @property
    def last(self) -> bool:
        """Whether it is heard after the states of parts: an oil leak of no place, or what has to be asked."""
        return not self.drive and all(
            says.kind == "unsure" or (says.name == "oil_leak_unknown" and says.value != "none")
            for says in self.says
        )

    @property
    def drive(self) -> bool:
        """Whether it asks which wheels are driven."""
        first = self.says[0]
        return first.kind == "unsure" and vocabulary().unsure[int(first.name)].about == "drive"


ENDINGS = ("ing", "ed")
LEAST = 3  # letters that are left of a word


def stem(word: str) -> str:
    """The word without its ending, so that its forms meet.

    >>> [stem(word) for word in ("leaks", "leaking", "dripping", "rusty", "rusted", "scraping")]
    ['leak', 'leak', 'drip', 'rust', 'rust', 'scrap']
    """
    root = word.lower().removesuffix("'s")
    root = _same().get(root, root)
    if root.endswith("ies"):
        root = root[:-3] + "y"
    elif root.endswith("s") and not root.endswith("ss") and len(root) > LEAST:
        root = root[:-1]
    for ending in ENDINGS:
        if root.endswith(ending) and len(root) - len(ending) >= LEAST:
            root = root.removesuffix(ending)
            break
    root = re.sub(r"([bdgklmnprt])\1$", r"\1", root)
    if len(root) > LEAST and root[-1] in "ey" and root != "note":  # which is no "not"
        root = root[:-1]
    return _same().get(root, root)


def said_as(word: str) -> str:
    """The word that `same` puts in the place of another, or the word itself.

    >>> said_as("aluminum"), said_as("push")
    ('aluminium', 'push')
    """
    return _same().get(word, word)


@cache
def _same() -> dict[str, str]:
    return {word: name for name, words in vocabulary().same.items() for word in words}


@cache
def vocabulary() -> Words:
    """The packaged words."""
    words: Words = load_catalogue("words.toml", Words)
    return words


@cache
def phrases() -> tuple[Phrase, ...]:
    """Every phrase, the longest first: what says more is heard before what says less."""
    found: dict[tuple[str, ...], list[Says]] = {}
    for text, says in _said():
        told = found.setdefault(stems_of(text), [])
        if says not in told:
            told.append(says)
    ordered = sorted(found, key=len, reverse=True)
    return tuple(Phrase(stems, tuple(found[stems])) for stems in ordered)


def stems_of(text: str) -> tuple[str, ...]:
    """The stems of a phrase, little words left out where two others remain: `with bag` is more than `bag`."""
    every = _joined([stem(word) for word in digits(text).split()])
    kept = [each for each in every if each not in LITTLE]
    return tuple(kept if len(kept) > 1 else [each for each in every if each not in ARTICLES] or every)


ARTICLES = frozenset({"a", "an", "the"})


def _joined(stems: list[str]) -> list[str]:
    """The stems with those of several words that stand for one in its place."""
    at, found = 0, []
    while at < len(stems):
        length, name = standing_for(stems[at:])
        found.append(name or stems[at])
        at += length or 1
    return found


def standing_for(stems: Sequence[str]) -> tuple[int, str]:
    """How many words from the first on stand for one, and its stem; 0 and nothing where none do."""
    for words, name in _instead().get(stems[0], ()):
        if tuple(stems[: len(words)]) == words:
            return len(words), name
    return 0, ""


@cache
def _instead() -> dict[str, list[tuple[tuple[str, ...], str]]]:
    """By the first stem: several words that stand for one, the longest first."""
    found: dict[str, list[tuple[tuple[str, ...], str]]] = {}
    for name, texts in vocabulary().instead.items():
        for text in texts:
            words = tuple(stem(word) for word in text.split())
            found.setdefault(words[0], []).append((words, stem(name)))
    return {first: sorted(each, key=lambda pair: -len(pair[0])) for first, each in found.items()}


LITTLE = frozenset(
    (
        "a",
        "an",
        "the",
        "of",
        "in",
        "on",
        "at",
        "to",
        "for",
        "from",
        "by",
        "with",
        "is",
        "it",
        "and",
        "be",
        "are",
    )
)


def _said() -> Iterator[tuple[str, Says]]:
    words = vocabulary()
    parts: Iterable[
        tuple[Literal["attribute", "reading", "check", "cause"], Mapping[str, Mapping[str, tuple[str, ...]]]]
    ] = (
        ("reading", words.readings),
        ("attribute", words.attributes),
        ("check", words.checks),
        ("cause", words.causes),
    )
    for kind, part in parts:
        for name, values in part.items():
            for value, texts in values.items():
                yield from ((text, Says(kind, name, value)) for text in texts)
    for fault, known in words.faults.items():
        for level in ("slight", "serious", "slight_unless", "serious_unless", "open", "none"):
            yield from ((text, Says("fault", fault, level)) for text in getattr(known, level))
    for value, texts in words.speeds.items():
        yield from ((text, Says("speeds", "drive", value)) for text in texts)
    for place, each in enumerate(words.unsure):
        yield from ((text, Says("unsure", str(place), each.ask)) for text in each.words)


@dataclass(frozen=True)
class State:
    """A state of a part: its stems, the fault and level it tells, and the parts it may be said of."""

    stems: tuple[str, ...]
    says: Says
    parts: tuple[tuple[str, ...], ...]


@cache
def states() -> tuple[State, ...]:
    """Every state of every part, the longest first."""
    found = [
        State(stems_of(text), Says("fault", each.fault, level), tuple(stems_of(part) for part in each.parts))
        for each in vocabulary().tells
        for level in ("serious", "slight", "open", "none")
        for text in getattr(each, level)
    ]
    return tuple(sorted(found, key=lambda state: -len(state.stems)))


@cache
def parts() -> frozenset[tuple[str, ...]]:
    """Every part that may have a state, as stems."""
    return frozenset(part for state in states() for part in state.parts)


@cache
def known_stems() -> frozenset[str]:
    """Every stem that some phrase or little word uses."""
    words = vocabulary()
    loose = (
        *words.mild, *words.bad, *words.not_there, *words.maybe, *words.mended, *words.unknown, *words.filler,
        *words.limits,
        *words.same, *(each for group in words.same.values() for each in group),
        *words.instead, *(each for group in words.instead.values() for each in group),
    )  # fmt: skip
    return (
        frozenset(stem(word) for text in loose for word in text.split())
        | {each for phrase in phrases() for each in phrase.stems}
        | {each for state in states() for part in (state.stems, *state.parts) for each in part}
    )
