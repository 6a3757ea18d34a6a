"""What each reading means, in plain words: money and odds come elsewhere."""

from collections.abc import Iterator

from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import blade_in, findings, measured, over_limit
from valuer.domain.machine import Machine
from valuer.domain.quantities import rpm_limit, wet_rise, worst_blade_stop
from valuer.domain.readings import Readings
from valuer.domain.thresholds import Scale, chances, thresholds

_SURE = 1.0


def reading_notes(machine: Machine, blade_stop_limit_s: float = 3.0) -> tuple[str, ...]:
    """Return a line for each reading that says what it means, and for each that cannot be judged yet why.

    >>> reading_notes(Machine.model_validate({"id": "a", "readings": {"drive_pull_kgf": 7}}))
    ('7 kgf before the drive slips: no sign of drive slips / weak.',)
    """
    scales = thresholds().scales
    own_words = {"over_limit_rpm", "deep_nick_mm", "deck_rusted_mm"}
    if (over_limit(machine) or 0.0) > 0:
        own_words.add("too_slow_rpm")
    lines = [
        f"{_figure(value)} {scales[name].says}: {_meaning(scales[name], value)}."
        for name, value in measured(machine).items()
        if name not in own_words
    ]
    return (
        *lines,
        *_about_compression(machine.readings),
        *_about_speed(machine),
        *_about_blade_stop(machine, blade_stop_limit_s),
        *_about_gaps(machine.readings),
        *_about_smoke(machine),
    )


def _figure(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"  # noqa: PLR2004 - three figures are enough


def _meaning(scale: Scale, value: float) -> str:
    present, serious = chances(scale, value)
    name = fault_catalogue()[scale.fault].name.lower()
    if present <= 0:
        return f"no sign of {name}"
    if serious >= _SURE:
        return f"{name}, serious"
    if serious > 0:
        return f"{name}, {serious:.0%} that it is serious, else slight"
    return f"{name}, slight" if present >= _SURE else f"in doubt, {present:.0%} for {name}, slight"


def _about_compression(readings: Readings) -> Iterator[str]:
    if readings.compression_psi is not None and readings.compression_release in (None, "unknown"):
        yield (
            f"{_figure(readings.compression_psi)} psi of compression cannot be judged until it is known "
            "whether a compression release is fitted: with one, a sound engine reads low. Find out "
            "(turn it backwards by hand: a sound engine rebounds), or do a leak-down test."
        )
    rise = wet_rise(readings)
    if rise is not None:
        yield f"{_figure(rise)} psi more with oil in the bore: " + (
            "points to the rings." if rise >= 15 else "points to valves or head gasket."  # noqa: PLR2004
        )


def _about_speed(machine: Machine) -> Iterator[str]:
    rpm, length, over = machine.readings.engine_rpm, blade_in(machine), over_limit(machine)
    if rpm is None:
        return
    if length is None or over is None:
        yield f"{rpm:.0f} rpm cannot be judged without the length of one blade: measure blade_length_in."
    elif over > 0:
        yield f"{rpm:.0f} rpm is too fast for a {length:g} in blade (limit {rpm_limit(length):.0f}): serious."
    else:
        yield f"{rpm:.0f} rpm is within the limit of a {length:g} in blade ({rpm_limit(length):.0f})."


def _about_blade_stop(machine: Machine, limit_s: float) -> Iterator[str]:
    worst = worst_blade_stop(machine.readings)
    if worst is None:
        return
    slow = {finding.fault: finding.severity for finding in findings(machine, limit_s)}
    severity = slow.get("bbc_worn" if machine.blade_clutch else "blade_brake_slow")
    runs, wanted = len(machine.readings.blade_stop_s or ()), thresholds().usual.stop_runs
    verdict = {
        None: "passes",
        "slight": f"passes, close to the limit of {limit_s:g} s",
        "serious": f"too slow, the limit is {limit_s:g} s: not to be sold as working",
    }[severity]
    few = f" Time {wanted - runs} more: the worst of {wanted} counts." if runs < wanted else ""
    yield f"{worst:g} s to stop the blade: {verdict}.{few}"


def _about_gaps(readings: Readings) -> Iterator[str]:
    usual = thresholds().usual
    for name, gap, (low, high) in (
        ("plug gap", readings.plug_gap_mm, usual.plug_gap_mm),
        ("coil gap", readings.coil_gap_mm, usual.coil_gap_mm),
    ):
        if gap is not None:
            fits = low <= gap <= high
            yield f"{gap:g} mm {name}: " + ("right." if fits else f"set it to {low:g} to {high:g} mm.")


def _about_smoke(machine: Machine) -> Iterator[str]:
    readings = machine.readings
    smokes = any(finding.fault == "smoke_blue" for finding in findings(machine))
    if smokes and (readings.oil_level == "over_full" or readings.just_tipped):
        yield "Smoke after tipping or with too much oil: set the level, run it 15 min and see whether it still smokes."
