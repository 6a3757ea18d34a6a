"""Machines for the tests of the domain, built in view."""

from typing import Any

from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine


def machine(*faults: str, checks: Any = None, drive: Any = None, **readings: Any) -> Machine:
    """Return a machine with these faults, checks and readings; all else unknown."""
    return Machine.model_validate(
        {"id": "m1", "drive": drive, "faults": list(faults), "checks": checks or {}, "readings": readings}
    )


def sound(*faults: str, **changes: Any) -> Machine:
    """Return a 21 in push machine that passed every gate, but for the faults and readings given."""
    readings = {
        "blade_stop_s": [2.1, 2.2, 2.0],
        "fuel_paper_5min": "dry",
        "fuel_paper_soak": "dry",
        "engine_rpm": 3000,
        **changes,
    }
    return Machine.model_validate(
        {
            "id": "m1",
            "drive": "push",
            "deck_width_in": 21,
            "faults": list(faults),
            "checks": {
                gate.id: "passed"
                for gate in gate_catalogue().values()
                if gate.by_check and gate.id != "crank"
            },
            "readings": {name: value for name, value in readings.items() if value is not None},
        }
    )
