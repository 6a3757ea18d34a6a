"""Machines the benchmarks ask about: with one symptom of unknown cause, from the market's stock, with many faults."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from pydantic import ValidationError

from tests.benchmark.hidden import table
from tests.market.faithful import faithful
from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine
from valuer.market.sales import draw_sales
from valuer.market.stock import ATTRIBUTES, Stock

MONTH, MOST_FAULTS = 5, 12

KINDS: Mapping[str, Mapping[str, Any]] = {
    "plain": {
        "drive": "push",
        "start": "rope",
        "engine_class": "small_ohv",
        "tier": "budget",
        "age_years": 8.0,
    },
    "driven": {
        "drive": "front_variable",
        "start": "rope",
        "engine_class": "mid_ohv",
        "tier": "mid",
        "age_years": 6.0,
    },
    "dear": {
        "drive": "rear_variable",
        "start": "electric",
        "engine_class": "large_ohv",
        "tier": "premium",
        "age_years": 4.0,
    },
}
COMMON = {
    "deck_width_in": 21.0,
    "deck_material": "steel",
    "looks": "scuffed",
    "kept": "inside",
    "looked_over": True,
}


def one_symptom() -> list[Machine]:
    """Every symptom of the tables on every kind of machine that can have it, all safety checks passed."""
    found = []
    for name, row in table("symptoms")["symptoms"].items():
        for kind, known in KINDS.items():
            try:
                found.append(_with_symptom(f"{name}.{kind}", known, row["stands_for"][0]))
            except ValidationError:
                continue  # no drive on a push machine, no electric start on a rope
    return found


def _with_symptom(name: str, known: Mapping[str, Any], fault: str) -> Machine:
    gates = gate_catalogue().items()
    readings: dict[str, Any] = {
        "engine_rpm": 2900.0,
        "blade_stop_s": [2.0, 2.0, 2.0],
        "blade_length_in": 21.0,
    }
    if not fault.startswith("fuel_leak"):
        readings |= {"fuel_paper_5min": "dry", "fuel_paper_soak": "dry"}
    return Machine.model_validate(
        {
            **COMMON,
            **known,
            "id": name,
            "faults": [f"{fault}:{fault_catalogue()[fault].severities[-1]}"],
            "checks": {gate: "passed" for gate, row in gates if row.by_check and fault not in row.faults},
            "readings": readings,
        }
    )


def from_stock(n: int, seed: int) -> tuple[Stock, list[Machine]]:
    """Machines of the market as recorded, with what sellers leave out, and as they truly are.

    At most twelve faults each, in the month of the question.
    """
    stock, sales = draw_sales(n + n // 5 + 20, seed, faithful())
    fit = np.flatnonzero((stock.severity > 0).sum(axis=1) <= MOST_FAULTS)[:n]
    stock = stock.take(fit)
    stock.attributes["month"] = MONTH
    sales = sales.iloc[fit].reset_index(drop=True)
    return stock, [as_recorded(row, place) for place, row in enumerate(sales.to_dict("records"))]


def as_recorded(row: Mapping[Any, Any], place: int) -> Machine:
    """What a sale's record says of the machine, but for how far it was shown tested."""
    said = [name for name in ATTRIBUTES if name in Machine.model_fields]
    known = {name: row[name] for name in said if row[name] is not None and row[name] == row[name]}
    flags = {
        name: bool(v) for name, v in known.items() if name in ("blade_clutch", "mulch_kit", "high_wheels")
    }
    numbers = {
        name: float(v) for name, v in known.items() if name in ("age_years", "deck_width_in", "new_price")
    }
    faults = [pair for pair in row["faults"].split(";") if pair]
    return Machine.model_validate({**known, **flags, **numbers, "id": f"m{place}", "faults": faults})


def ends_checked(machine: Machine) -> Machine:
    """The machine with the checks passed that could end it: no recall is open, the crank is straight."""
    found = {item.fault for item in machine.faults}
    gates = {"recall": "recall_open", "crank": "bent_crank"}
    passed = {gate: "passed" for gate, fault in gates.items() if fault not in found}
    return machine.model_copy(update={"checks": passed})


def with_many_faults(n: int, seed: int) -> list[Machine]:
    """Machines with 13 to 25 faults drawn evenly from the catalogue, one that shuts a safety gate among them.

    Every third has an open recall.
    """
    rng = np.random.default_rng(seed)
    found: list[Machine] = []
    faults = table("faults")
    shut = [name for name, row in faults.items() if row["must_cure"] not in ("never", "block")]
    while len(found) < n:
        names = set(rng.choice(list(faults), size=int(rng.integers(13, 26)), replace=False).tolist()) - {
            "recall_open"
        }
        names |= {str(rng.choice(shut))} | ({"recall_open"} if len(found) % 3 == 0 else set())
        if not 13 <= len(names) <= 25:
            continue
        known = KINDS[str(rng.choice(list(KINDS)))]
        pairs = [f"{name}:{rng.choice(fault_catalogue()[name].severities)}" for name in sorted(names)]
        try:
            found.append(Machine.model_validate({**known, "id": f"many{len(found)}", "faults": pairs}))
        except ValidationError:
            continue  # a fault this kind of machine cannot have
    return found
