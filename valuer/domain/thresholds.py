"""The thresholds of the readings: from a figure to the odds of a fault."""

from functools import cache
from typing import Literal

from pydantic import Field, model_validator

from valuer.domain.catalogue import Mark, Span, load_catalogue
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding
from valuer.domain.record import Record, wrong
from valuer.domain.words import one_of

_ROUNDING = 1e-9


class Scale(Record):
    """Two limits of a reading, each with its grey zone; see catalogue/readings.toml."""

    fault: str
    worse: Literal["higher", "lower"]
    none_to: float
    slight_from: float
    serious_doubt_from: float
    serious_from: float
    says: str
    mark: Mark

    @model_validator(mode="after")
    def _in_order(self) -> "Scale":
        if self.fault not in fault_catalogue():
            raise wrong("unknown_fault", one_of("fault", self.fault, fault_catalogue()))
        steps = [self.none_to, self.slight_from, self.serious_doubt_from, self.serious_from]
        if steps != sorted(steps, reverse=self.worse == "lower"):
            raise wrong("scale", f"expected limits that only get worse, got {steps}")
        return self


class Usual(Record):
    """Usual figures of machines, used where the machine's own is not known."""

    mass_push_kg: float = Field(gt=0)
    mass_driven_kg: float = Field(gt=0)
    intake_lash_mm: Span
    exhaust_lash_mm: Span
    plug_gap_mm: Span
    coil_gap_mm: Span
    two_blades_above_in: float
    noise: float = Field(ge=0, le=0.1, description="a chance smaller than this is none")
    high_tip_chance: float = Field(ge=0, le=1, description="chance of a bent crank when the high tip stays")
    stop_runs: int = Field(ge=1, description="blade stop runs that should be timed")
    mark: Mark


class Thresholds(Record):
    """All rules by which readings show faults."""

    scales: dict[str, Scale]
    words: dict[str, dict[str, str]]
    usual: Usual

    @model_validator(mode="after")
    def _words_are_marked(self) -> "Thresholds":
        for name, rule in self.words.items():
            if not rule.get("mark"):
                raise wrong("no_mark", f"words.{name}: expected a mark, got none")
        return self


@cache
def thresholds() -> Thresholds:
    """Return the packaged thresholds."""
    rules: Thresholds = load_catalogue("readings.toml", Thresholds)
    return rules


def chances(scale: Scale, reading: float) -> tuple[float, float]:
    """Return the chance that the fault is there at all, and that it is serious.

    Both rise evenly through their grey zones; at a sharp limit the limit itself still passes.
    """
    return (
        _passed(scale, reading, scale.none_to, scale.slight_from),
        _passed(scale, reading, scale.serious_doubt_from, scale.serious_from),
    )


def _passed(scale: Scale, reading: float, first: float, sure: float) -> float:
    sign = 1.0 if scale.worse == "higher" else -1.0
    beyond, width = sign * (reading - first), sign * (sure - first)
    if width <= _ROUNDING:
        return 1.0 if beyond > _ROUNDING else 0.0
    return _without_noise(min(max(beyond / width, 0.0), 1.0))


def _without_noise(chance: float) -> float:
    noise = thresholds().usual.noise
    return 0.0 if chance < noise else 1.0 if chance > 1.0 - noise else chance


def shown_by(scale: Scale, reading: float, fault: str | None = None) -> Finding | None:
    """Return what a reading shows: the severity that is likelier, with its chance; None when it passes.

    From even odds of serious on, the finding is serious with that chance; before, it is slight.
    """
    present, serious = chances(scale, reading)
    named = fault or scale.fault
    if serious >= 0.5 and "serious" in fault_catalogue()[named].severities:  # noqa: PLR2004 - even odds
        return Finding(named, "serious", serious)
    return Finding(named, "slight", present) if present > 0 else None
