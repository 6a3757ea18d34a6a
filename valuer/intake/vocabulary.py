"""The words people use, from catalogue/words.toml: phrases as stems, and what each of them says."""

import re
from collections.abc import Iterable, Iterator, Mapping
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
from valuer.domain.words import one_of

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


class Words(Record):
    """The file catalogue/words.toml."""

    mild: Several[str]
    bad: Several[str]
    not_there: Several[str]
    maybe: Several[str]
    unknown: Several[str]
    alone: Several[str]
    breakers: Several[str]
    filler: Several[str]
    same: dict[str, Several[str]]
    attributes: dict[str, dict[str, Several[str]]]
    readings: dict[str, dict[str, Several[str]]]
    checks: dict[str, dict[str, Several[str]]]
    faults: dict[str, FaultWords]
    unsure: Several[Unsure]
    speeds: dict[str, Several[str]]

    @model_validator(mode="after")
    def _known(self) -> "Words":
        for part, known in (
            (self.attributes, Machine.model_fields),
            (self.readings, Readings.model_fields),
            (self.checks, gate_catalogue()),
            (self.faults, fault_catalogue()),
        ):
            for name in part:
                if name not in known:
                    raise wrong("unknown_name", one_of("name", name, known))
        return self


@dataclass(frozen=True)
class Says:
    """What a phrase says: a value of an attribute, a reading or a check, a level of a fault, or a question."""

    kind: Literal["attribute", "reading", "check", "fault", "unsure", "speeds"]
    name: str
    value: str


@dataclass(frozen=True)
class Phrase:
    """A phrase as stems, and everything that it says."""

    stems: tuple[str, ...]
    says: tuple[Says, ...]


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
    for ending in ENDINGS:
        if root.endswith(ending) and len(root) - len(ending) >= LEAST:
            root = root.removesuffix(ending)
            break
    else:
        if root.endswith("s") and not root.endswith("ss") and len(root) > LEAST:
            root = root[:-1]
    root = re.sub(r"([bdgklmnprt])\1$", r"\1", root)
    if len(root) > LEAST and root[-1] in "ey":
        root = root[:-1]
    return _same().get(root, root)


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
    """The stems of a phrase, little words left out where others remain."""
    every = [stem(word) for word in text.split()]
    kept = [each for each in every if each not in LITTLE]
    return tuple(kept or every)


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
        tuple[Literal["attribute", "reading", "check"], Mapping[str, Mapping[str, tuple[str, ...]]]]
    ] = (
        ("reading", words.readings),
        ("attribute", words.attributes),
        ("check", words.checks),
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


@cache
def known_stems() -> frozenset[str]:
    """Every stem that some phrase or little word uses."""
    words = vocabulary()
    loose = (*words.mild, *words.bad, *words.not_there, *words.maybe, *words.unknown, *words.filler)
    return frozenset(stem(word) for text in loose for word in text.split()) | {
        each for phrase in phrases() for each in phrase.stems
    }
