"""Bench readings: what was measured, in the unit its name says.

The same quantity may come in other units under other names (``roll_pull_n`` for ``roll_pull_kgf``); it is
converted as it is read, so that a record always holds the first-named unit. Nothing is decided here: what a
reading shows is told by `valuer.domain.findings`.
"""

from collections.abc import Mapping
from math import isclose
from typing import Annotated, Any, Literal, NamedTuple, get_args

from pydantic import (
    BeforeValidator,
    Field,
    SerializerFunctionWrapHandler,
    WithJsonSchema,
    model_serializer,
    model_validator,
)

from valuer.domain.record import Record, word_of, wrong
from valuer.domain.words import shown

Release = Literal["fitted", "none", "unknown"]
Paper = Literal["dry", "damp", "drop"]
FuelPlace = Literal["carburettor", "line_or_tank"]
OilPlace = Literal["cover_drain_tube", "seal", "sump"]
OilLevel = Literal["low", "full", "over_full"]
OilLook = Literal["clean", "black", "milky", "smells_of_fuel"]
Smoke = Literal["none", "puff", "steady"]
HotRun = Literal["held", "stalled_once", "stalled"]
BladeWear = Literal["none", "thinned", "slot_or_crack"]
HighTip = Literal["blade", "shaft"]
Hiss = Literal["dipstick", "carburettor", "muffler", "joint", "none"]


class Unit(NamedTuple):
    """Another unit for a reading: the name it converts to, and how much of that unit one of it is."""

    reading: str
    factor: float


_KGF_PER_N = 1 / 9.80665
_KG_PER_LB = 0.45359237
_PSI_PER_KPA = 1 / 6.894757293168
_MM_PER_IN = 25.4

OTHER_UNITS: Mapping[str, Unit] = {
    "compression_bar": Unit("compression_psi", 100 * _PSI_PER_KPA),
    "compression_kpa": Unit("compression_psi", _PSI_PER_KPA),
    "wet_compression_bar": Unit("wet_compression_psi", 100 * _PSI_PER_KPA),
    "wet_compression_kpa": Unit("wet_compression_psi", _PSI_PER_KPA),
    "spark_gap_in": Unit("spark_gap_mm", _MM_PER_IN),
    "plug_gap_in": Unit("plug_gap_mm", _MM_PER_IN),
    "coil_gap_in": Unit("coil_gap_mm", _MM_PER_IN),
    "intake_lash_in": Unit("intake_lash_mm", _MM_PER_IN),
    "exhaust_lash_in": Unit("exhaust_lash_mm", _MM_PER_IN),
    "blade_length_mm": Unit("blade_length_in", 1 / _MM_PER_IN),
    "roll_pull_n": Unit("roll_pull_kgf", _KGF_PER_N),
    "roll_pull_lbf": Unit("roll_pull_kgf", _KG_PER_LB),
    "machine_mass_lb": Unit("machine_mass_kg", _KG_PER_LB),
    "drive_pull_n": Unit("drive_pull_kgf", _KGF_PER_N),
    "drive_pull_lbf": Unit("drive_pull_kgf", _KG_PER_LB),
    "wheel_rock_in": Unit("wheel_rock_mm", _MM_PER_IN),
    "tip_height_in": Unit("tip_height_mm", _MM_PER_IN),
    "blade_nick_in": Unit("blade_nick_mm", _MM_PER_IN),
    "crank_runout_in": Unit("crank_runout_mm", _MM_PER_IN),
    "deck_metal_in": Unit("deck_metal_mm", _MM_PER_IN),
    "deck_hole_in": Unit("deck_hole_mm", _MM_PER_IN),
    "deck_hole_to_mount_in": Unit("deck_hole_to_mount_mm", _MM_PER_IN),
}
"""Names under which a reading may be given in another unit. Exact factors (SI brochure, published)."""

AGREE_WITHIN = 0.02
"""Relative difference up to which the same reading in two units counts as rounding."""

MOST_RUNS = 20
"""Runs of one reading; three are asked for."""


def amount(low: float, high: float, description: str) -> Any:
    """Return a field for an optional number between two bounds, both allowed."""
    return Field(None, ge=low, le=high, description=description)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _as_runs(value: object) -> object:
    """Let a single number stand for a list of one."""
    if value is None or isinstance(value, tuple):
        return value
    runs = value if isinstance(value, list) else [value]
    if len(runs) > MOST_RUNS:
        raise wrong("runs_form", f"expected a list of at most {MOST_RUNS} runs, got {len(runs):,}")
    if not runs or not all(_is_number(run) for run in runs):
        raise wrong(
            "runs_form", f"a reading with runs must be a number or a list of numbers, got {shown(value)}"
        )
    return tuple(runs)


def _runs_schema(low: float, high: float) -> WithJsonSchema:
    number = {"type": "number", "minimum": low, "maximum": high}
    runs = {"type": "array", "items": number, "minItems": 1, "maxItems": MOST_RUNS}
    return WithJsonSchema({"anyOf": [number, runs, {"type": "null"}]})


_Kgf = Annotated[float, Field(ge=0, le=60)]
_Newton = Annotated[float, Field(ge=0, le=590)]
_Lbf = Annotated[float, Field(ge=0, le=132)]
_Second = Annotated[float, Field(ge=0, le=60)]

KgfRuns = Annotated[
    tuple[_Kgf, ...] | None, Field(max_length=MOST_RUNS), BeforeValidator(_as_runs), _runs_schema(0, 60)
]
NewtonRuns = Annotated[
    tuple[_Newton, ...] | None, Field(max_length=MOST_RUNS), BeforeValidator(_as_runs), _runs_schema(0, 590)
]
LbfRuns = Annotated[
    tuple[_Lbf, ...] | None, Field(max_length=MOST_RUNS), BeforeValidator(_as_runs), _runs_schema(0, 132)
]
SecondRuns = Annotated[
    tuple[_Second, ...] | None, Field(max_length=MOST_RUNS), BeforeValidator(_as_runs), _runs_schema(0, 60)
]


class Readings(Record):
    """What was measured on the bench. Absent means not measured, which never counts as passed; it is left out."""

    @model_serializer(mode="wrap")
    def _measured_only(self, handler: SerializerFunctionWrapHandler):  # type: ignore[no-untyped-def] # noqa: ANN202
        # No type of what comes back: with one, pydantic would describe that in the place of the readings.
        return {name: value for name, value in handler(self).items() if value is not None}

    cold_pulls: float | None = amount(1, 60, "full pulls to sustained running, stone cold, fresh fuel")
    hot_run: Annotated[HotRun | None, word_of("hot_run", get_args(HotRun))] = Field(
        None, description="30 min run in grass: held, stalled_once (restarts at once), stalled"
    )
    smoke: Annotated[Smoke | None, word_of("smoke", get_args(Smoke))] = Field(
        None, description="blue smoke over 10 min: none, puff (gone in 30 s), steady"
    )
    just_tipped: bool | None = Field(None, description="the machine was tipped shortly before it smoked")
    compression_psi: float | None = amount(0, 300, "warm, throttle open, 6 pulls")
    compression_release: Annotated[Release | None, word_of("compression_release", get_args(Release))] = Field(
        None,
        description="automatic compression release: fitted, none, unknown; it makes sound engines read low",
    )
    wet_compression_psi: float | None = amount(0, 300, "the same test with a spoon of oil in the bore")
    leak_down_percent: float | None = amount(0, 100, "air lost in a leak-down test")
    leak_down_hiss: Annotated[Hiss | None, word_of("leak_down_hiss", get_args(Hiss))] = Field(
        None, description="where the air of the leak-down test is heard"
    )
    spark_gap_mm: float | None = amount(0, 15, "widest tester gap the spark jumps; 0 for no spark")
    plug_gap_mm: float | None = amount(0, 5, "gap of the spark plug")
    coil_gap_mm: float | None = amount(0, 5, "air gap between coil and flywheel")
    intake_lash_mm: float | None = amount(0, 2, "intake valve clearance, cold")
    exhaust_lash_mm: float | None = amount(0, 2, "exhaust valve clearance, cold")
    intake_lash_wanted_mm: float | None = amount(0.02, 0.5, "the engine's own figure, if known")
    exhaust_lash_wanted_mm: float | None = amount(0.02, 0.5, "the engine's own figure, if known")
    engine_rpm: float | None = amount(0, 8000, "full throttle, no load")
    blade_length_in: float | None = amount(9, 33, "one blade, tip to tip; unknown: the deck width, one blade")
    fuel_paper_5min: Annotated[Paper | None, word_of("fuel_paper_5min", get_args(Paper))] = Field(
        None,
        description="white paper under the machine, fuel in the tank, valve open, 5 min: dry, damp, drop",
    )
    fuel_paper_soak: Annotated[Paper | None, word_of("fuel_paper_soak", get_args(Paper))] = Field(
        None, description="the same after 30 min or overnight: weeps are slow"
    )
    fuel_wet_at: Annotated[FuelPlace | None, word_of("fuel_wet_at", get_args(FuelPlace))] = Field(
        None, description="where it is wet: carburettor, line_or_tank"
    )
    oil_cardboard: Annotated[Paper | None, word_of("oil_cardboard", get_args(Paper))] = Field(
        None, description="cleaned, 15 min hot, then cardboard 30 min and overnight: dry, damp, drop"
    )
    oil_wet_at: Annotated[OilPlace | None, word_of("oil_wet_at", get_args(OilPlace))] = Field(
        None, description="highest wet point: cover_drain_tube, seal, sump; absent: not found"
    )
    oil_level: Annotated[OilLevel | None, word_of("oil_level", get_args(OilLevel))] = Field(
        None, description="dipstick, level ground, 10 min stood: low, full, over_full"
    )
    oil_look: Annotated[OilLook | None, word_of("oil_look", get_args(OilLook))] = Field(
        None, description="oil on white paper: clean, black, milky, smells_of_fuel"
    )
    roll_pull_kgf: KgfRuns = Field(
        None, description="pull to roll it slowly, drive off, level smooth floor; mean of the runs counts"
    )
    machine_mass_kg: float | None = amount(10, 150, "weight; unknown: usual weight of its kind")
    drive_pull_kgf: float | None = amount(0, 60, "pull on the handle before the drive slips, dry concrete")
    wheel_rock_mm: float | None = amount(0, 100, "rock at the rim of the worst wheel")
    blade_stop_s: SecondRuns = Field(
        None, description="release of the bail to blade still, warm, 3 runs on film; the worst run counts"
    )
    tip_height_mm: float | None = amount(0, 60, "difference in height of the two blade tips at one point")
    high_tip: Annotated[HighTip | None, word_of("high_tip", get_args(HighTip))] = Field(
        None,
        description="after turning the blade half round on the shaft the high tip stays with: blade, shaft",
    )
    blade_wear: Annotated[BladeWear | None, word_of("blade_wear", get_args(BladeWear))] = Field(
        None, description="at the bend from flat to sail: none, thinned, slot_or_crack"
    )
    blade_nick_mm: float | None = amount(0, 60, "depth of the worst nick")
    struck: bool | None = Field(
        None,
        description="a strike is known or suspected, or key, blade or mount was damaged (even if cured)",
    )
    crank_runout_mm: float | None = amount(0, 10, "at the shaft end, blade and adapter off, turned by hand")
    deck_metal_mm: float | None = amount(0, 10, "thinnest sound metal found (steel deck)")
    deck_hole_mm: float | None = amount(0, 500, "largest hole; 0 for none found")
    deck_hole_to_mount_mm: float | None = amount(0, 500, "from that hole to the nearest mount")
    battery_rest_v: float | None = amount(0, 20, "12 V starter battery after 8 h of charge, at rest")
    battery_crank_v: float | None = amount(0, 20, "the same while cranking")

    compression_bar: float | None = amount(0, 20.7, "compression in bar")
    compression_kpa: float | None = amount(0, 2070, "compression in kPa")
    wet_compression_bar: float | None = amount(0, 20.7, "wet compression in bar")
    wet_compression_kpa: float | None = amount(0, 2070, "wet compression in kPa")
    spark_gap_in: float | None = amount(0, 0.59, "tester gap in inches")
    plug_gap_in: float | None = amount(0, 0.2, "plug gap in inches")
    coil_gap_in: float | None = amount(0, 0.2, "coil air gap in inches")
    intake_lash_in: float | None = amount(0, 0.079, "intake valve clearance in inches")
    exhaust_lash_in: float | None = amount(0, 0.079, "exhaust valve clearance in inches")
    blade_length_mm: float | None = amount(228.6, 838.2, "blade length in mm")
    roll_pull_n: NewtonRuns = Field(None, description="rolling pull in newton")
    roll_pull_lbf: LbfRuns = Field(None, description="rolling pull in pounds-force")
    machine_mass_lb: float | None = amount(22.1, 330, "weight in pounds")
    drive_pull_n: float | None = amount(0, 588, "drive pull in newton")
    drive_pull_lbf: float | None = amount(0, 132, "drive pull in pounds-force")
    wheel_rock_in: float | None = amount(0, 3.9, "wheel rock in inches")
    tip_height_in: float | None = amount(0, 2.3, "tip height difference in inches")
    blade_nick_in: float | None = amount(0, 2.3, "nick in inches")
    crank_runout_in: float | None = amount(0, 0.39, "crank runout in inches")
    deck_metal_in: float | None = amount(0, 0.39, "deck metal in inches")
    deck_hole_in: float | None = amount(0, 19.6, "hole in inches")
    deck_hole_to_mount_in: float | None = amount(0, 19.6, "hole to mount in inches")

    @model_validator(mode="before")
    @classmethod
    def _to_first_units(cls, data: Any) -> Any:
        if not isinstance(data, Mapping) or OTHER_UNITS.keys().isdisjoint(data):
            return data
        read = dict(data)
        for name, unit in OTHER_UNITS.items():
            _convert(read, name, unit)
        return read


def _convert(read: dict[str, Any], name: str, unit: Unit) -> None:
    """Move a reading to its first-named unit; anything else stays, for its own field to refuse."""
    given, other = _listed(read.get(name)), _listed(read.get(unit.reading))
    low, high = _bounds(name)
    if (
        not 1 <= len(given) <= MOST_RUNS
        or len(other) > MOST_RUNS
        or not all(_is_number(run) and low <= run <= high for run in given)
    ):
        return
    converted = [run * unit.factor for run in given]
    if other and not _agree(converted, other):
        raise wrong(
            "units_disagree",
            f"{name} and {unit.reading} are the same reading and must agree: {_said(given)} is "
            f"{_said(converted)} there, got {_said(other)}; give one of the two",
        )
    del read[name]
    if read.get(unit.reading) is None:  # an empty list stays, for its own field to refuse
        read[unit.reading] = converted if len(converted) > 1 else converted[0]


def _listed(value: object) -> list[Any]:
    if value is None:
        return []
    return list(value) if isinstance(value, list | tuple) else [value]


def _bounds(name: str) -> tuple[float, float]:
    if name in _RUNS_BOUNDS:
        return _RUNS_BOUNDS[name]
    ge, le = Readings.model_fields[name].metadata
    return ge.ge, le.le


_RUNS_BOUNDS = {"roll_pull_n": (0.0, 590.0), "roll_pull_lbf": (0.0, 132.0)}


def _agree(converted: list[float], other: list[Any]) -> bool:
    return len(other) == len(converted) and all(
        _is_number(b) and isclose(a, b, rel_tol=AGREE_WITHIN, abs_tol=1e-9)
        for a, b in zip(converted, other, strict=True)
    )


def _said(values: list[Any]) -> str:
    return ", ".join(f"{value:g}" if _is_number(value) else shown(value) for value in values)
