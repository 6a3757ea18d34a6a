"""Faults: what can be wrong with a machine, how it is seen, and whether it must be cured before a sale.

No price stands here. What a fault takes off is for the price model to learn.
"""

from functools import cache
from typing import Literal

from pydantic import Field

from valuer.domain.catalogue import Mark, Span, by_id, load_catalogue
from valuer.domain.record import Record, Several

Severity = Literal["slight", "serious"]
MustCure = Literal["never", "serious", "any", "block"]
Group = Literal[
    "running",
    "starter",
    "fuel",
    "engine",
    "oil",
    "drive",
    "wheels",
    "blade",
    "deck",
    "safety",
    "controls",
    "noise",
    "trim",
]
Needs = Literal["drive", "electric_start", "blade_clutch", "primer", "bag"]


class Fault(Record):
    """One fault of the catalogue.

    ``causes`` names faults that bring this one about: cause and symptom are one loss, counted once.
    ``hides`` names faults that cannot be seen while this one is there (a dead engine hides smoke).
    """

    id: str = Field(description="fault id, as written in machine files")
    name: str = Field(description="what it is called at the bench")
    group: Group = Field(description="part of the machine")
    core: bool = Field(description="one of the forty faults every machine is asked about")
    slight: str | None = Field(None, description="what is seen when it is slight; absent: never slight")
    serious: str = Field(description="what is seen when it is serious")
    test: str = Field(description="how it is found on the bench")
    must_cure: MustCure = Field(
        description="severity from which the machine may not be sold as working; block: in no form at all"
    )
    why: str = Field(description="why it must, or need not, be cured")
    needs: Needs | None = Field(None, description="equipment without which the fault cannot exist")
    intake: Span = Field(description="share of cheap or free machines that have it, low and high")
    listed: Span = Field(description="share of running machines offered by private sellers that have it")
    causes: Several[str] = Field((), description="faults that bring it about: one loss, counted once")
    comes_with: Several[str] = Field((), description="faults often found beside it")
    hides: Several[str] = Field((), description="faults that cannot be judged while it is there")
    mistaken_for: Several[str] = Field((), description="faults it is confused with")
    mark: Mark = Field(description="where the figures come from")

    @property
    def severities(self) -> tuple[Severity, ...]:
        """The severities the fault can have."""
        return ("slight", "serious") if self.slight else ("serious",)

    def must_be_cured(self, severity: Severity) -> bool:
        """Say whether the machine may not be sold as working with the fault at this severity."""
        return self.must_cure in ("any", "block") or (self.must_cure == "serious" and severity == "serious")


@cache
def fault_catalogue() -> dict[str, Fault]:
    """Return all faults by id, in the order of the catalogue."""
    return load_catalogue("faults.toml", by_id(Fault))


@cache
def fault_order() -> dict[str, int]:
    """Return each fault's place in the catalogue, so that lists of faults read the same every time."""
    return {fault: place for place, fault in enumerate(fault_catalogue())}


def one_loss(fault: str, other: str) -> bool:
    """Say whether the two are cause and symptom of one another, so that only the larger loss counts."""
    faults = fault_catalogue()
    return other in faults[fault].causes or fault in faults[other].causes
