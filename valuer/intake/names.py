"""What a person calls a machine, and the short name made from it: `Müller's 21"` is kept beside `muellers-21`."""

import re
import unicodedata
from typing import Any

from valuer.domain.machine import ID_PATTERN, MOST_OF_ID

SPELT_OUT = {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "æ": "ae", "ø": "oe", "å": "aa", "ł": "l", "đ": "d"}
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def short_name(name: str) -> str:
    """A name of letters, digits, dot, _ and - that is like the one given; empty where nothing of it can be kept.

    >>> short_name("Müller's 21"), short_name("m1"), short_name(".."), short_name("Großer Grüner")
    ('muellers-21', 'm1', '', 'grosser-gruener')
    """
    if re.fullmatch(ID_PATTERN, name) and len(name) <= MOST_OF_ID:
        return name
    spelt = "".join(
        SPELT_OUT.get(letter, letter) for letter in name.lower().replace("'", "").replace("\u2019", "")
    )
    plain = unicodedata.normalize("NFKD", spelt).encode("ascii", "ignore").decode()
    short = re.sub(r"[^a-z0-9._-]+", "-", plain).strip("-. ")[:MOST_OF_ID].rstrip("-. ")
    return short if re.fullmatch(ID_PATTERN, short) else ""


def with_short_name(wire: dict[str, Any]) -> dict[str, Any]:
    """The values of a machine with a short id in the place of a longer name, which is kept as ``called``.

    What cannot be a name (no text, a formula, nothing but dots) is left, for the record to refuse.
    """
    name = wire.get("id")
    if not isinstance(name, str) or name.startswith(FORMULA):
        return wire
    short = short_name(name.strip())
    return {"called": name.strip(), **wire, "id": short} if short and short != name else wire
