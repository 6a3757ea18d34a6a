"""Finding faults and fixes by any of their words: `leaking`, `won't start`, `carburetor`."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from valuer.domain.faults import fault_catalogue
from valuer.domain.fixes import fix_catalogue
from valuer.intake.vocabulary import LITTLE, phrases, stem

MOST = 12


@dataclass(frozen=True)
class Found:
    """A fault or a fix of the catalogue, as a search lists it."""

    kind: str
    id: str
    name: str
    about: str
    part: str = ""
    """The part of the machine that a fault is of."""


def search(text: str) -> tuple[Found, ...]:
    """The faults and fixes that know every word of a text, or else most of them; the nearest first.

    >>> search("oil leaking sump")[0].id
    'oil_leak_sump'
    """
    wanted = {stem(word) for word in text.split() if word.lower() not in LITTLE}
    scored = [(len(wanted & words), found) for found, words in _known()]
    best = max((score for score, _ in scored), default=0)
    if not wanted or not best:
        return ()
    return tuple(found for score, found in scored if score == best)[:MOST]


def every(kind: str) -> tuple[Found, ...]:
    """All faults, or all fixes, in the order of the catalogue."""
    return tuple(found for found, _ in _known() if found.kind == kind)


@cache
def _known() -> Sequence[tuple[Found, frozenset[str]]]:
    return tuple(_everything())


def _everything() -> Iterator[tuple[Found, frozenset[str]]]:
    said: dict[str, set[str]] = {}
    for phrase in phrases():
        for says in phrase.says:
            if says.kind == "fault":
                said.setdefault(says.name, set()).update(phrase.stems)
    for fault in fault_catalogue().values():
        words = _stems(fault.id, fault.name) | said.get(fault.id, set())
        seen = f"slight: {fault.slight or 'never'}; serious: {fault.serious}"
        yield Found("fault", fault.id, fault.name, seen, fault.group), frozenset(words)
    for fix in fix_catalogue().values():
        cures = ", ".join(fix.cures)
        yield Found("fix", fix.id, fix.name, f"for {cures}"), frozenset(_stems(fix.id, fix.name))


def _stems(*texts: str) -> set[str]:
    words = (
        " ".join(texts)
        .replace("_", " ")
        .replace("/", " ")
        .replace(",", " ")
        .replace("(", " ")
        .replace(")", " ")
    )
    return {stem(word) for word in words.split()} - LITTLE
