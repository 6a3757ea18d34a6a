"""The examples of the OpenAPI document; the tests send each of them and compare the kind of answer."""

from typing import Any

MACHINE = {
    "id": "green-1",
    "drive": "rear_variable",
    "deck_width_in": 21,
    "engine_class": "mid_ohv",
    "start": "rope",
    "tier": "mid",
    "age_years": 6,
    "looks": "scuffed",
    "faults": ["starter_noise:serious", "blade_dull:slight"],
    "readings": {"cold_pulls": 2, "roll_pull_kgf": [2.9, 2.7, 2.8], "machine_mass_kg": 34},
}
UNKNOWN_MOSTLY = {"id": "grey-2", "drive": "push", "faults": ["no_start:serious"]}

Bodies = dict[str, dict[str, Any]]

VALUATIONS: Bodies = {
    "one machine, the terms left to their defaults": {"machines": [MACHINE]},
    "two machines in May, in euro at .9 to the dollar": {
        "machines": [MACHINE, UNKNOWN_MOSTLY],
        "terms": {"month": 5, "currency": "EUR", "price_level": 0.9},
    },
}
FIX_PLANS: Bodies = {
    "an hour worth 20": {"machines": [MACHINE], "terms": {"month": 5, "hour_value": 20}},
    "two hours and 30 in cash": {
        "machines": [MACHINE, UNKNOWN_MOSTLY],
        "terms": {"month": 10, "hours": 2, "cash": 30},
    },
}
BENCH_RANKINGS: Bodies = {"two machines": {"machines": [MACHINE, UNKNOWN_MOSTLY], "terms": {"month": 5}}}


def examples(bodies: Bodies) -> dict[str, Any]:
    """Named request bodies in the place where OpenAPI looks for them."""
    named = {name.replace(" ", "-"): {"summary": name, "value": body} for name, body in bodies.items()}
    return {"requestBody": {"content": {"application/json": {"examples": named}}}}
