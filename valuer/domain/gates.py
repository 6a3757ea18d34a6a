"""Safety gates: what must hold before a machine may be sold as working, and what answers each."""

from collections.abc import Iterable
from functools import cache
from typing import Literal

from pydantic import Field

from valuer.domain.catalogue import Mark, by_id, load_catalogue
from valuer.domain.record import Record, Several

Applies = Literal["always", "driven", "strike"]


class Gate(Record):
    """One thing that must hold. Not tested is not passed."""

    id: str
    passes: str = Field(description="what is seen when it passes")
    test: str = Field(description="how it is tested")
    faults: Several[str] = Field(description="faults that keep it shut while they must be cured")
    failed_means: str = Field(description="the fault, with severity, that a failed check stands for")
    readings: Several[str] = Field((), description="readings that answer it, all of them needed")
    by_check: bool = Field(description="a check reported as passed answers it")
    applies: Applies = Field("always", description="always; driven machines; when a strike is suspected")
    basis: str = Field(description="why it must hold")
    mark: Mark


def gates_named(ids: Iterable[str]) -> str:
    """Return gates in one line, as words.

    >>> gates_named(["recall", "engine_speed"])
    'recall, engine speed'
    """
    return ", ".join(gate.replace("_", " ") for gate in ids)


@cache
def gate_catalogue() -> dict[str, Gate]:
    """Return the safety gates by id, in the order in which they are worth doing."""
    return load_catalogue("safety.toml", by_id(Gate))
