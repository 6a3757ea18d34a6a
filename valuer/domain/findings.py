"""Findings: what is wrong with a machine once its readings and checks have been read.

What was declared stands. A reading adds what it shows, with a chance below 1 where it lies in a grey zone,
and makes a declared fault worse only when it is clear. What was not measured shows nothing and passes
nothing.
"""

from collections.abc import Iterable, Iterator
from typing import cast

from valuer.domain.faults import fault_catalogue, fault_order
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Finding, Machine, lacks, parse_finding
from valuer.domain.quantities import reading_value, roll_pull, rpm_limit, worst_blade_stop
from valuer.domain.readings import Readings
from valuer.domain.thresholds import shown_by, thresholds

_WEIGHT = {"slight": 1.0, "serious": 2.0}
_OIL_PLACES = {"cover_drain_tube": "oil_leak_minor", "seal": "oil_leak_seal", "sump": "oil_leak_sump"}
_STRUCTURAL_HOLE_MM, _NEAR_MOUNT_MM = 10.0, 25.0
"""Hole size and distance to a mount that make a hole structural; common practice, no source."""


def findings(machine: Machine, blade_stop_limit_s: float = 3.0) -> tuple[Finding, ...]:
    """Return the faults of a machine, declared and shown by readings, once each, in catalogue order.

    ``blade_stop_limit_s`` is the limit where the machine is sold (16 CFR 1205.5: 3.0 s). Faults that the
    machine cannot have (a drive fault on a push machine) are left out.
    """
    if not machine.readings.model_fields_set and not machine.checks:
        return machine.faults
    return machine.once(("findings", blade_stop_limit_s), lambda: _findings(machine, blade_stop_limit_s))


def _findings(machine: Machine, blade_stop_limit_s: float) -> tuple[Finding, ...]:
    merged = {finding.fault: finding for finding in machine.faults}
    for shown in _worst_of(_shown(machine, blade_stop_limit_s)):
        declared = merged.get(shown.fault)
        if declared is None or _clearly_worse(shown, declared):
            merged[shown.fault] = shown
    return tuple(sorted(merged.values(), key=lambda finding: fault_order()[finding.fault]))


def _clearly_worse(shown: Finding, declared: Finding) -> bool:
    return shown.chance >= 1.0 and _WEIGHT[shown.severity] > _WEIGHT[declared.severity]


def _worst_of(shown: Iterable[Finding]) -> Iterable[Finding]:
    """Return the worst of what is shown of each fault: a sure lesser form does not talk away a doubt of a worse one."""
    ranked = sorted(shown, key=lambda finding: (_WEIGHT[finding.severity], finding.chance))
    return {finding.fault: finding for finding in ranked}.values()


def _shown(machine: Machine, blade_stop_limit_s: float) -> Iterator[Finding]:
    every = (
        *_by_scale(machine),
        *_by_word(machine.readings),
        *_by_blade_stop(machine, blade_stop_limit_s),
        *_by_paper(machine.readings),
        *_by_deck_hole(machine),
        *_by_high_tip(machine.readings),
        *_by_checks(machine),
    )
    return (finding for finding in every if not lacks(machine, fault_catalogue()[finding.fault]))


def measured(machine: Machine) -> dict[str, float]:
    """Return the quantities that have a scale in catalogue/readings.toml and are known, by the scale's name.

    The blade stop is left out: its limit depends on where the machine is sold.
    """
    readings = machine.readings
    known: dict[str, float | None] = {
        name: cast(float | None, reading_value(readings, name))
        for name in (
            "cold_pulls",
            "compression_without_release_psi",
            "compression_with_release_psi",
            "leak_down_percent",
            "spark_gap_mm",
            "drive_pull_kgf",
            "wheel_rock_mm",
            "crank_runout_mm",
            "battery_rest_v",
            "battery_crank_v",
        )
    }
    known["roll_ratio"] = roll_ratio(machine)
    known["lash_off_mm"] = lash_off(readings)
    known["too_slow_rpm"] = readings.engine_rpm
    known["over_limit_rpm"] = over_limit(machine)
    known["dull_nick_mm"] = known["deep_nick_mm"] = readings.blade_nick_mm
    if readings.high_tip != "shaft":
        known["tip_height_mm"] = readings.tip_height_mm
    if machine.deck_material in (None, "steel"):
        known["deck_metal_mm"] = known["deck_rusted_mm"] = readings.deck_metal_mm
    return {name: value for name, value in known.items() if value is not None}


def _by_scale(machine: Machine) -> Iterator[Finding]:
    scales = thresholds().scales
    for name, value in measured(machine).items():
        finding = shown_by(scales[name], value)
        if finding:
            yield finding


def _by_word(readings: Readings) -> Iterator[Finding]:
    for name, rule in thresholds().words.items():
        word = getattr(readings, name)
        if word is not None and rule[word]:
            yield parse_finding(rule[word])


def _by_blade_stop(machine: Machine, limit_s: float) -> Iterator[Finding]:
    worst = worst_blade_stop(machine.readings)
    if worst is None:
        return
    scale = thresholds().scales["blade_stop_s"]
    local = scale.model_copy(
        update={
            "none_to": min(scale.none_to, limit_s),
            "slight_from": min(scale.slight_from, limit_s),
            "serious_doubt_from": limit_s,
            "serious_from": limit_s,
        }
    )
    finding = shown_by(local, worst, fault="bbc_worn" if machine.blade_clutch else None)
    if finding:
        yield finding


def _by_paper(readings: Readings) -> Iterator[Finding]:
    fuel = {readings.fuel_paper_5min, readings.fuel_paper_soak}
    if fuel & {"damp", "drop"}:
        if readings.fuel_wet_at == "line_or_tank":
            yield Finding("fuel_leak_line", "serious")
        else:
            yield Finding("fuel_leak_carb", "serious" if readings.fuel_paper_5min == "drop" else "slight")
    if readings.oil_cardboard in ("damp", "drop"):
        place = _OIL_PLACES.get(readings.oil_wet_at or "", "oil_leak_unknown")
        yield Finding(place, "serious" if readings.oil_cardboard == "drop" else "slight")


def _by_deck_hole(machine: Machine) -> Iterator[Finding]:
    hole, to_mount = machine.readings.deck_hole_mm, machine.readings.deck_hole_to_mount_mm
    if not hole:
        return
    clear = hole < _STRUCTURAL_HOLE_MM and to_mount is not None and to_mount > _NEAR_MOUNT_MM
    doubtful = hole < _STRUCTURAL_HOLE_MM and to_mount is None
    yield Finding("deck_rust_hole", "slight" if clear else "serious", 0.5 if doubtful else 1.0)


def _by_high_tip(readings: Readings) -> Iterator[Finding]:
    scale = thresholds().scales["tip_height_mm"]
    stays = readings.high_tip == "shaft" and readings.crank_runout_mm is None
    if stays and (readings.tip_height_mm or 0.0) > scale.none_to:
        yield Finding("bent_crank", "serious", thresholds().usual.high_tip_chance)


def _by_checks(machine: Machine) -> Iterator[Finding]:
    for check, result in machine.checks.items():
        gate = gate_catalogue()[check]
        if result == "failed":
            yield parse_finding(gate.failed_means)


def roll_ratio(machine: Machine) -> float | None:
    """Return the pull to roll the machine as a share of its weight (usual weight when it is not known)."""
    pull = roll_pull(machine.readings)
    return None if pull is None else pull / mass_kg(machine)


def mass_kg(machine: Machine) -> float:
    """Return the machine's weight, or the usual one of its kind, kg."""
    usual = thresholds().usual
    kind = usual.mass_push_kg if machine.drive == "push" else usual.mass_driven_kg
    return machine.readings.machine_mass_kg or kind


def lash_off(readings: Readings) -> float | None:
    """Return how far the worse valve clearance lies outside its band, mm.

    No clearance at all counts as far out. The engine's own figure, when given, takes the band's place.
    """
    usual = thresholds().usual
    off = [
        _outside(lash, wanted, band)
        for lash, wanted, band in (
            (readings.intake_lash_mm, readings.intake_lash_wanted_mm, usual.intake_lash_mm),
            (readings.exhaust_lash_mm, readings.exhaust_lash_wanted_mm, usual.exhaust_lash_mm),
        )
        if lash is not None
    ]
    return max(off, default=None)


def _outside(lash: float, wanted: float | None, band: tuple[float, ...]) -> float:
    if lash <= 0:
        return 1.0
    low, high = (wanted, wanted) if wanted is not None else band
    return max(low - lash, lash - high, 0.0)


def blade_in(machine: Machine) -> float | None:
    """Return the length of one blade, inches; the deck width when it is not known and one blade is usual."""
    if machine.readings.blade_length_in is not None:
        return machine.readings.blade_length_in
    width = machine.deck_width_in
    return width if width is not None and width <= thresholds().usual.two_blades_above_in else None


def over_limit(machine: Machine) -> float | None:
    """Return how far the engine turns above the tip-speed limit, rpm; below 0 is under it, None unknown."""
    length = blade_in(machine)
    if machine.readings.engine_rpm is None or length is None:
        return None
    return machine.readings.engine_rpm - rpm_limit(length)
