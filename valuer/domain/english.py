"""The two Englishes: everything is written in the British one, and turned into the American where that is chosen.

Only trade words and spellings of prose differ; ids, names that owners gave and words of the catalogue stay.
"""

import re
from typing import Literal

English = Literal["british", "american"]

PAIRS = (
    ("carburettor", "carburetor"),
    ("petrol", "gas"),
    ("aluminium", "aluminum"),
    ("colour", "color"),
    ("tyre", "tire"),
    ("grey", "gray"),
    ("kerb", "curb"),
    ("spanner", "wrench"),
    ("silencer", "muffler"),
    ("centre", "center"),
    ("judgement", "judgment"),
)
"""British and American words, whose endings are the same (common practice, no source)."""

_WORD = re.compile(rf"\b(?:un)?({'|'.join(british for british, _ in PAIRS)})", re.IGNORECASE)
_AMERICAN = dict(PAIRS)


def in_english(text: str, english: English) -> str:
    """The text in the English that was chosen.

    >>> in_english("Petrol drips from the carburettor; carburettors of aluminium", "american")
    'Gas drips from the carburetor; carburetors of aluminum'
    """
    return text if english == "british" else _WORD.sub(_american, text)


def _american(found: re.Match[str]) -> str:
    before, word = found[0][: -len(found[1])], found[1]
    other = _AMERICAN[word.lower()]
    return before + (other.capitalize() if word[0].isupper() else other)
