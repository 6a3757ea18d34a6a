"""A value model whose arithmetic a reader can redo: percentages off a sound price, and a fall at a shut gate.

Effects are those of the reference machine of the trade tables (common practice, no source): a self-propelled
mower of six years worth 190 when sound. Losses are taken largest first, at 1, .85, .7, .55, .45, .4 of their
own size and then .4, each off what is left; a fault that must be cured drops the machine to the price for
repair, the smaller of 35 % of the sound price and 70 % of the discounted one. Nothing falls below 8. A symptom beside
its cause is one loss, the larger; not starting with its cause named leaves three tenths more than unexplained.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from valuer.advice.ports import Basis, Beyond, FloatArray, Months
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine

SOUND, SALVAGE = 190.0, 8.0
WEIGHTS = np.array([1.0, 0.85, 0.7, 0.55, 0.45, 0.4])
EFFECTS: Mapping[str, tuple[float, float]] = {
    "hard_start": (0.08, 0.25),
    "no_start": (0.50, 0.70),
    "surging": (0.10, 0.28),
    "weak_spark": (0.15, 0.65),
    "sheared_key": (0.25, 0.60),
    "governor_fault": (0.10, 0.35),
    "recoil_rope": (0.05, 0.30),
    "starter_noise": (0.12, 0.35),
    "estart_dead": (0.05, 0.10),
    "fuel_leak_carb": (0.20, 0.50),
    "fuel_leak_line": (0.15, 0.45),
    "stale_fuel": (0.04, 0.15),
    "low_compression": (0.15, 0.50),
    "valve_lash_out": (0.05, 0.18),
    "smoke_blue": (0.15, 0.45),
    "bent_crank": (0.45, 0.80),
    "oil_contaminated": (0.04, 0.20),
    "oil_leak_sump": (0.15, 0.40),
    "oil_leak_seal": (0.12, 0.38),
    "oil_leak_minor": (0.06, 0.15),
    "oil_leak_unknown": (0.15, 0.45),
    "drive_none": (0.15, 0.35),
    "drive_slip": (0.08, 0.20),
    "stiff_roll": (0.06, 0.18),
    "wheel_wobble": (0.04, 0.12),
    "blade_dull": (0.03, 0.08),
    "blade_damaged": (0.06, 0.20),
    "blade_mount_loose": (0.15, 0.35),
    "deck_surface_rust": (0.03, 0.10),
    "deck_rust_hole": (0.20, 0.55),
    "blade_brake_slow": (0.10, 0.50),
    "bail_defeated": (0.15, 0.50),
    "guard_missing": (0.08, 0.20),
    "recall_open": (1.0, 1.0),
    "vibration": (0.10, 0.40),
    "dirty": (0.06, 0.15),
    "paint_faded": (0.03, 0.07),
    "bag_missing": (0.05, 0.10),
    "air_filter_bad": (0.02, 0.06),
}
COLUMNS = {fault: place for place, fault in enumerate(fault_catalogue(), start=1)}
LOSS = np.zeros((len(COLUMNS) + 1, 3))
SHUTS = np.zeros((len(COLUMNS) + 1, 3), dtype=bool)
for _fault, _column in COLUMNS.items():
    LOSS[_column, 1:] = EFFECTS.get(_fault, (0.05, 0.15))
    SHUTS[_column, 1] = fault_catalogue()[_fault].must_be_cured("slight")
    SHUTS[_column, 2] = fault_catalogue()[_fault].must_be_cured("serious")

CAUSES = {
    COLUMNS[name]: [COLUMNS[cause] for cause in fault.causes]
    for name, fault in fault_catalogue().items()
    if fault.causes
}
NAMED = 1.3
"""What not starting leaves with its cause named, over unexplained (common practice, no source)."""


class FakeModel:
    """Sound price by machine id (``sound`` where not named); the interval is a fifth to either side."""

    def __init__(self, sound: float = SOUND, by_id: Mapping[str, float] | None = None) -> None:
        self.sound, self.by_id = sound, by_id or {}
        self.calls = 0
        self.basis = Basis(model="fake 1", data_sha256="0" * 64, synthetic=True, own_sales=0)

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        """Column 0 holds the sound price; the month changes nothing here."""
        rows = np.zeros((len(machines), len(COLUMNS) + 1))
        rows[:, 0] = [self.by_id.get(machine.id, self.sound) for machine in machines]
        return rows

    def fault_column(self, fault: str) -> int:
        return COLUMNS[fault]

    def value(self, rows: FloatArray) -> FloatArray:
        self.calls += 1
        causes, symptoms, lift = rows.copy(), rows.copy(), np.ones(len(rows))
        for symptom, behind in CAUSES.items():
            beside = np.flatnonzero((rows[:, symptom] > 0) & (rows[:, behind] > 0).any(axis=1))
            causes[beside, symptom] = 0.0
            symptoms[beside[:, None], behind] = 0.0
            lift[beside] = NAMED if symptom == COLUMNS["no_start"] else lift[beside]
        return np.asarray(np.minimum(self._value(causes), lift * self._value(symptoms)))

    def _value(self, rows: FloatArray) -> FloatArray:
        levels = rows[:, 1:].astype(int)
        places = np.arange(1, rows.shape[1])
        losses = -np.sort(-LOSS[places, levels], axis=1)
        weights = np.full(losses.shape[1], WEIGHTS[-1])
        weights[: len(WEIGHTS)] = WEIGHTS
        discounted: FloatArray = rows[:, 0] * np.prod(1 - weights * losses, axis=1)
        shut = SHUTS[places, levels].any(axis=1)
        for_repair = np.minimum(0.35 * rows[:, 0], 0.70 * discounted)
        return np.asarray(np.maximum(SALVAGE, np.where(shut, for_repair, discounted)))

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        value = self.value(rows) if value is None else value
        return value / 1.2, value * 1.2

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        return ()

    def records(self, fault: str, severity: str) -> int:
        return 10 if fault == "bent_crank" else 500
