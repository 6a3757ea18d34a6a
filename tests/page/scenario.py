"""A few invented sales, so that the views about them have something to show."""

import json
import urllib.request
from datetime import timedelta
from typing import Any

from valuer.clock import today

# Invented: prices a fifth above what a stranger would expect, so that the correction has something to learn.
SALES = (
    ("sold-1", {"drive": "push", "tier": "budget", "age_years": 6, "faults": ["blade_dull:slight"]}, 95),
    ("sold-2", {"drive": "rear_variable", "tier": "mid", "age_years": 4, "faults": []}, 290),
    (
        "sold-3",
        {"drive": "rear_variable", "tier": "mid", "age_years": 8, "faults": ["starter_noise:serious"]},
        110,
    ),
    (
        "sold-4",
        {"drive": "front_one_speed", "tier": "budget", "age_years": 5, "faults": ["dirty:slight"]},
        150,
    ),
    (
        "sold-5",
        {"drive": "front_variable", "tier": "mid", "age_years": 7, "faults": ["no_start:serious"]},
        60,
    ),
    (
        "sold-6",
        {"drive": "all_wheel", "tier": "premium", "age_years": 5, "faults": ["bag_missing:slight"]},
        420,
    ),
)


def call(url: str, method: str, path: str, body: object = None, match: int | None = None) -> Any:
    """One request to the API; returns the JSON of the answer."""
    headers = {"Content-Type": "application/json"} | ({"If-Match": f'"{match}"'} if match is not None else {})
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url + path, data, headers, method=method)
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.load(answer)


def sell_some(url: str) -> None:
    """Take some machines in and sell them."""
    bought, listed, sold = ((today() - timedelta(days=days)).isoformat() for days in (60, 30, 10))
    for name, machine, price in SALES:
        taken = {"machine": {"id": name, **machine}, "taken_on": bought, "paid": 20}
        version = call(url, "POST", "/v1/machines", taken)["version"]
        week = {"week_of": listed, "ask": round(price * 1.1), "enquiries": 3}
        call(url, "PUT", f"/v1/machines/{name}/weeks", week, version)
        call(url, "POST", "/v1/sales", {"id": name, "price": price, "sold_on": sold})
