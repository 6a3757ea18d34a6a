"""Finding the word somebody meant, for error messages."""

from collections.abc import Iterable, Iterator, Mapping
from difflib import get_close_matches
from itertools import islice

from valuer.domain.bounds import LONGEST_WORD

SPELT_OUT = 12
"""Lists up to this length are spelt out in an error line."""


def did_you_mean(word: object, choices: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` when a choice is close to the word, else an empty string.

    >>> did_you_mean("starter_nois", ["starter_noise", "no_start"])
    "; did you mean 'starter_noise'?"
    >>> did_you_mean("zzz", ["starter_noise"])
    ''
    """
    if not isinstance(word, str) or len(word) > LONGEST_WORD:  # comparing costs the more the longer it is
        return ""
    close = get_close_matches(word.strip().lower(), list(choices), n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


def one_of(name: str, word: object, choices: Iterable[str]) -> str:
    """Return the error line for a word that is not among the choices (long lists are not spelt out).

    >>> one_of("severity", "sleight", ["slight", "serious"])
    "severity must be one of slight, serious; got 'sleight'; did you mean 'slight'?"
    """
    known = tuple(choices)
    listed = f"one of {', '.join(known)}" if len(known) <= SPELT_OUT else "a name from the catalogue"
    return f"{name} must be {listed}; got {shown(word)}{did_you_mean(word, known)}"


def counted(count: int, thing: str) -> str:
    """Return a whole number with its thing, one or several.

    >>> counted(1, "own sale"), counted(2000, "machine")
    ('1 own sale', '2,000 machines')
    """
    return f"{count:,} {thing}{'' if count == 1 else 's'}"


def printable(text: str) -> str:
    r"""The text with everything that could steer a terminal spelt out.

    >>> printable("a\x1b[2J")
    'a\\x1b[2J'
    """
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def shown(value: object, limit: int = 60) -> str:
    """Return a value as it may stand in an error line: one line, never longer than ``limit``.

    No more of it is looked at than can be shown, whatever its size.

    >>> shown([0] * 1_000_000, 20)
    '[0, 0, 0, 0, 0, 0...'
    """
    text = " ".join("".join(islice(_pieces(value, limit), limit + 1)).split())
    return text if len(text) <= limit else text[: limit - 3] + "..."


def _pieces(value: object, limit: int) -> Iterator[str]:
    """The ``repr`` of a value piece by piece, none of them empty; of long texts the beginning."""
    if isinstance(value, str):
        yield repr(value if len(value) <= limit else value[: limit + 1])
    elif isinstance(value, list | tuple):
        yield "[" if isinstance(value, list) else "("
        for place, each in enumerate(value):
            yield from (", ",) if place else ()
            yield from _pieces(each, limit)
        yield "]" if isinstance(value, list) else ",)" if len(value) == 1 else ")"
    elif isinstance(value, Mapping):
        yield "{"
        for place, (name, each) in enumerate(value.items()):
            yield from (", ",) if place else ()
            yield from _pieces(name, limit)
            yield ": "
            yield from _pieces(each, limit)
        yield "}"
    else:
        yield repr(value)
