"""Finding the word somebody meant, for error messages."""

from collections.abc import Iterable
from difflib import get_close_matches

SPELT_OUT = 12
"""Lists up to this length are spelt out in an error line."""


def did_you_mean(word: object, choices: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` when a choice is close to the word, else an empty string.

    >>> did_you_mean("starter_nois", ["starter_noise", "no_start"])
    "; did you mean 'starter_noise'?"
    >>> did_you_mean("zzz", ["starter_noise"])
    ''
    """
    close = get_close_matches(str(word).strip().lower(), list(choices), n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


def one_of(name: str, word: object, choices: Iterable[str]) -> str:
    """Return the error line for a word that is not among the choices (long lists are not spelt out).

    >>> one_of("severity", "sleight", ["slight", "serious"])
    "severity must be one of slight, serious; got 'sleight'; did you mean 'slight'?"
    """
    known = tuple(choices)
    listed = f"one of {', '.join(known)}" if len(known) <= SPELT_OUT else "a name from the catalogue"
    return f"{name} must be {listed}; got {shown(word)}{did_you_mean(word, known)}"


def shown(value: object, limit: int = 60) -> str:
    """Return a value as it may stand in an error line: one line, never longer than ``limit``."""
    text = " ".join(repr(value).split())
    return text if len(text) <= limit else text[: limit - 3] + "..."
