"""Where the phrases and states of catalogue/words.toml stand in a line of words, and what the words beside them do.

Words are compared by their stems within a clause; likeness of letters only mends typing.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import get_args

from valuer.domain.faults import Severity
from valuer.intake.vocabulary import (
    LITTLE,
    Phrase,
    State,
    known_stems,
    parts,
    phrases,
    said_as,
    standing_for,
    stem,
    stems_of,
    vocabulary,
)

BREAK = re.compile(r"[.;!?()\n]|,|:(?!\s*(?:passed|failed|ok))|\bbut\b|\botherwise\b|\bthough\b| - | \u2013 ")
WORD = re.compile(r"[a-z0-9][a-z0-9'/-]*|\u2016")
MARK = "\u2016"  # stands where a figure was
BETWEEN = 2  # other words between two of a phrase
BEFORE = 3  # words back to a "no" that belongs to a phrase
LIKE = 89.0  # likeness in per cent from which a typing slip is mended; "quiet" is 88.9 like "quit"
LEAST_LIKE = 5  # letters of a word that may be mended


@dataclass
class Token:
    """A word of a line, or several that stand for one: its stem, how it was written, and its clause."""

    stem: str
    text: str
    clause: int
    mended: str = ""
    used: bool = False


def tokens_of(text: str) -> list[Token]:
    """The words of a line, clause by clause, mistyped ones mended."""
    tokens: list[Token] = []
    for place, clause in enumerate(BREAK.split(text)):
        told: list[Token] = []
        for word in WORD.findall(clause.replace("self-prop", "self prop").replace("-", " ")):
            root = stem(word)
            mended = "" if root in known_stems() or len(word) < LEAST_LIKE else _like(root)
            told.append(Token(mended or root, word, place, mended))
        tokens += _standing_together(told)
    return tokens


def _standing_together(tokens: list[Token]) -> Iterator[Token]:
    """The words of a clause, several that stand for one as one."""
    at = 0
    while at < len(tokens):
        length, name = standing_for([token.stem for token in tokens[at:]])
        together = tokens[at : at + (length or 1)]
        text, mended = " ".join(each.text for each in together), "".join(each.mended for each in together)
        yield Token(name or together[0].stem, text, together[0].clause, mended)
        at += len(together)


@cache
def _like(root: str) -> str:
    """The one known stem that a mistyped one is like, or an empty string."""
    from rapidfuzz import fuzz, process  # noqa: PLC0415 - only where something is not known, so that a start stays quick

    near = process.extract(root, sorted(known_stems()), scorer=fuzz.ratio, score_cutoff=LIKE, limit=2)
    return str(near[0][0]) if len(near) == 1 else ""


def distance(state: State, places: Sequence[int], tokens: Sequence[Token]) -> int:
    """How far the nearest of the state's parts is, in words; 0 where its clause has none of them."""
    clause = tokens[places[0]].clause
    return _nearest(state, places, tokens, clause) or (
        0 if _any_part(tokens, clause) else _nearest(state, places, tokens, clause - 1)
    )


def _nearest(state: State, places: Sequence[int], tokens: Sequence[Token], clause: int) -> int:
    here = [at for at, t in enumerate(tokens) if t.clause == clause and t.text not in LITTLE]
    found = []
    for part in state.parts:
        for first in range(len(here) - len(part) + 1):
            at = here[first : first + len(part)]
            if [tokens[each].stem for each in at] == list(part) and not {*at} & {*places}:
                found.append(min(abs(each - place) for each in at for place in places))
    return min(found, default=0)


def _any_part(tokens: Sequence[Token], clause: int) -> bool:
    """Whether a clause names a part of its own; where it does not, what it says is of the one before."""
    here = [token.stem for token in tokens if token.clause == clause and token.text not in LITTLE]
    return any(tuple(here[at : at + size]) in parts() for at in range(len(here)) for size in (1, 2, 3))


def matches(tokens: list[Token], *, last: bool) -> Iterator[tuple[Phrase, list[int]]]:
    """Phrases with where they stand, the longest first. ``last``: those that only a part or nothing else explains."""
    alone = {stems_of(text) for text in vocabulary().alone}
    for phrase in phrases():
        if phrase.last != last:
            continue
        between = 1 if phrase.says[0].kind == "attribute" or phrase.drive else BETWEEN
        for places in everywhere(phrase.stems, tokens, between):
            if phrase.stems in alone and not _alone(tokens, places):
                continue
            if len(places) == 1 and not _exact(phrase, tokens, places[0]):
                continue
            if phrase.says[0].name == "looks" and _of_a_part(tokens, places[0]):
                continue
            if all(says.value == "none" for says in phrase.says) and limited(tokens, places):
                continue  # "drive works only on one wheel" does not say that it works
            for place in places:
                tokens[place].used = True
            yield phrase, places


@cache
def _negations() -> frozenset[str]:
    return frozenset(stem(word) for text in vocabulary().not_there for word in text.split())


@cache
def _breakers() -> frozenset[str]:
    return _negations() | {stem(word) for word in vocabulary().breakers}


def _alone(tokens: Sequence[Token], places: Sequence[int]) -> bool:
    """Whether the clause says nothing else."""
    clause = tokens[places[0]].clause
    others = [t for at, t in enumerate(tokens) if t.clause == clause and at not in places]
    return all(token.stem in _idle() or token.text == MARK for token in others)


def _exact(phrase: Phrase, tokens: Sequence[Token], place: int) -> bool:
    """Whether one word alone, of an attribute, stands as it is written: `push`, not `pushed` nor `I can push it`."""
    token = tokens[place]
    if any(says.kind != "attribute" for says in phrase.says):
        return True
    before = tokens[place - 1].text if place and tokens[place - 1].clause == token.clause else ""
    after = tokens[place + 1].text if place + 1 < len(tokens) else ""
    if before in DOING or after in DONE_TO:
        return False
    return " " in token.text or said_as(token.text).rstrip("s") in {
        said_as(text).rstrip("s")
        for says in phrase.says
        for text in vocabulary().attributes[says.name][says.value]
    }


def _of_a_part(tokens: Sequence[Token], first: int) -> bool:
    """Whether words of looks are said of one part: `the plug looks clean` tells nothing of the machine."""
    link = first if tokens[first].stem in _links() else _word_before(tokens, first)
    if link is None or tokens[link].stem not in _links():
        return False
    of = _word_before(tokens, link)
    return of is not None and tokens[of].text not in WHOLE


def _word_before(tokens: Sequence[Token], place: int) -> int | None:
    """The place of the word before one in its clause; those that only add weight do not count."""
    clause = tokens[place].clause
    for before in range(place - 1, -1, -1):
        if tokens[before].clause != clause or tokens[before].text == MARK:
            return None
        if tokens[before].text not in WEIGHT:
            return before
    return None


@cache
def _links() -> frozenset[str]:
    return frozenset(map(stem, ("looks", "looked", "is", "are", "was", "were")))


WEIGHT = frozenset(
    {"very", "really", "quite", "pretty", "still", "all", "so", "nice", "and", "the", "a", "an"}
)
WHOLE = frozenset(
    {"mower", "lawnmower", "machine", "it", "this", "deck", "body", "paint", "paintwork", "everything"}
)
"""Words that looks are said of where they are those of the machine."""

DOING = frozenset({"to", "can", "could", "must", "will", "from", "would"})
DONE_TO = frozenset({"a", "cut", "job", "mow", "season", "lawn", "stripe", "winter", "summer", "week"})
"""Words beside one that is no attribute there: `I can push a finger through`, `it stopped mid cut`."""


def limited(tokens: Sequence[Token], places: Sequence[int]) -> bool:
    """Whether something beside a phrase takes part of it back: `only`, `until`, `could`."""
    return _any([t for t in tokens if t.clause == tokens[places[0]].clause], vocabulary().limits)


@cache
def _idle() -> frozenset[str]:
    words = vocabulary()
    return frozenset(stem(word) for text in words.filler for word in text.split())


def everywhere(stems: Sequence[str], tokens: Sequence[Token], between: int = BETWEEN) -> Iterator[list[int]]:
    """Every place where a phrase stands in one clause, its words in order, in tokens not used yet."""
    for start, token in enumerate(tokens):
        if token.stem != stems[0] or token.used:
            continue
        places = _from(start, stems, tokens, between)
        if places:
            yield places


def _from(start: int, stems: Sequence[str], tokens: Sequence[Token], between: int) -> list[int]:
    places = [start]
    for before, wanted in pairwise(stems):
        # "no compression and smoke" is no "no smoke": what is denied stands beside its no
        others, at = between if before in _negations() else 0, places[-1] + 1
        while at < len(tokens) and tokens[at].clause == tokens[start].clause and others <= between:
            if tokens[at].stem == wanted and not tokens[at].used:
                break
            if tokens[at].stem in _breakers():
                return []  # "the flap does not spring shut" is no "flap springs shut"
            others += tokens[at].text not in LITTLE
            at += 1
        else:
            return []
        if others > between:
            return []
        places.append(at)
    return places


def is_denied(tokens: Sequence[Token], places: Sequence[int]) -> bool:
    """Whether a "no" that no phrase has used stands shortly before the phrase, in its clause."""
    first = places[0]
    before = [t for t in tokens[max(0, first - BEFORE) : first] if t.clause == tokens[first].clause]
    found = [token for token in before if token.stem in _negations() and not token.used]
    return bool(found)


MENDED = re.compile(
    r"\b(?:was|were|been|since|now|already|got|and) (?:\w+ )?"
    r"(?:replaced|fixed|sorted|repaired|renewed|mended|swapped)\b"
    r"|\b(?:fitted|put|got) (?:on |in )?(?:a |another )?new one\b"
)
"""Words of a clause by which what was wrong may be so no more: `the cord snapped and was replaced`."""


def _mended(tokens: Sequence[Token], clause: int) -> bool:
    """Whether it is said, in the clause or in one after it that says nothing else, that it was put right."""
    here, after = ([t for t in tokens if t.clause == place] for place in (clause, clause + 1))
    if MENDED.search(" ".join(token.text for token in here)):
        return True
    done = {stem(word) for text in vocabulary().mended for word in text.split()}
    if _any(after, ("need", "want", "still", "must", "should")) or not any(t.stem in done for t in after):
        return False
    return all(t.stem in done | _idle() or t.text in LITTLE or t.text == MARK for t in after)


def is_doubtful(tokens: Sequence[Token], places: Sequence[int]) -> bool:
    """Whether the clause only supposes, or it was put right since."""
    clause = tokens[places[0]].clause
    told = " ".join(t.text for t in tokens if t.clause == clause)
    supposed = any(re.search(rf"\b{re.escape(word)}\b", told) for word in vocabulary().maybe)
    return supposed or _mended(tokens, clause)


def decided(fault: str, tokens: Sequence[Token], places: Sequence[int]) -> str:
    """How bad it is by the words beside it: of its clause, or of the next one where that says nothing else."""
    mildly, badly = set(vocabulary().mild), set(vocabulary().bad)
    if fault in WHEN_DRY:
        mildly, badly = mildly - set(vocabulary().wet), badly | set(vocabulary().wet)
    clause = tokens[places[0]].clause
    for place in (clause, clause + 1):
        near = [t for t in tokens if t.clause == place]
        if place != clause and any(t.used for t in near):
            break
        mild, bad = _any(near, mildly), _any(near, badly)
        if mild != bad:
            return "slight" if mild else "serious"
    return "open"


def named_severity(tokens: Sequence[Token], places: Sequence[int]) -> str:
    """The severity named right beside a phrase, as the catalogue names it, or an empty string: `dull (serious)`."""
    clause, last = tokens[places[0]].clause, max(places) + 1
    beside = [each for each in tokens[max(0, min(places) - 1) : min(places)] if each.clause == clause]
    after = tokens[last : last + 1]
    alone = [each for each in tokens if after and each.clause == after[0].clause] == list(after)
    beside += [each for each in after if each.clause == clause or (alone and each.clause == clause + 1)]
    found = [severity for severity in get_args(Severity) if _any(beside, (severity,))]
    return found[0] if len(found) == 1 else ""


def _any(tokens: Iterable[Token], words: Iterable[str]) -> bool:
    stems = {stem(word) for word in words}
    found = [token for token in tokens if token.stem in stems and not token.used]
    return bool(found)


WHEN_DRY = {"fuel_leak_line": "slight"}
"""Faults of a part that may leak, and how bad they are where nothing does; any wetness is worse."""


def left_over(tokens: Sequence[Token]) -> Iterator[str]:
    """Words nothing was made of, those that stood together together."""
    words = vocabulary()
    idle = _idle() | {
        stem(word) for text in (*words.mild, *words.bad, *words.not_there) for word in text.split()
    }
    told = {stem(word) for word in words.figured}
    figured = {token.clause for token in tokens if token.text == MARK}
    run: list[str] = []
    last = -1
    for place, token in enumerate(tokens):
        if token.stem in told and token.clause in figured:
            continue
        if token.used or token.stem in idle or token.text in LITTLE or token.text == MARK:
            continue
        if run and (place != last + 1 or tokens[last].clause != token.clause):
            yield " ".join(run)
            run = []
        run.append(token.text)
        last = place
    if run:
        yield " ".join(run)
