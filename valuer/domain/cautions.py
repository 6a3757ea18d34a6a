"""Cautions: what can hurt somebody at an action, and how hard it must be said."""

from functools import cache
from typing import Literal

from valuer.domain.catalogue import Mark, by_id, load_catalogue
from valuer.domain.record import Record, Several


class Caution(Record):
    """One caution; ``must_show`` ones stand in every document that advises the action."""

    id: str
    title: str
    words: str
    force: Literal["must_show", "show"]
    beside: Several[str]
    mark: Mark


@cache
def caution_catalogue() -> dict[str, Caution]:
    """Return all cautions by code, ``C1`` to ``C18``."""
    return load_catalogue("cautions.toml", by_id(Caution))
