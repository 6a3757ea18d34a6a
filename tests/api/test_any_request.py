"""Any request at all, made from the API's own description: no fault of ours, no answer it does not describe.

schemathesis makes the requests, right ones and wrong ones, and checks each answer: status, type, headers and
body as described, wrong data refused, right data taken. Which of them come is fixed where `CI` is set.
"""

import json
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, settings

from api.app import create_app
from api.door import Door
from tests.fake_model import FakeModel
from tests.records.bench import NOW
from valuer.adviser import Adviser
from valuer.demo import demo_bench
from valuer.records.entries import Book, MachineEntry
from valuer.records.store.store import open_store

EXAMPLES = 10  # requests of each route beyond those that its limits and examples give; bounded, so CI is

# Every limit of every field is tried on every route: some 20,000 requests in four minutes. Questions ask with the
# body of /v1/valuations, so the others are spared that unless all is asked for, as the benchmark `load` does.
COUNTED = os.environ.get("VALUER_COUNTED_INPUTS")  # a file for the counts by status; asks for all
SPARED = [
    {"include-path": f"/v1/{path}", "phases": {"coverage": {"enabled": False}}}
    for path in (
        "bench-rankings", "work-lists", "purchase-limits", "bench-plans", "repair-quotes",
        "asking-prices", "offers", "listings",
    )
]  # fmt: skip

# A description cannot say everything: ids must differ, a fault must fit its machine (422); what is changed must be
# named by its present state (412, 428), and one that does not match may be too long besides (413). A request that
# matches the description may be refused for those reasons.
CHECKS = {
    "positive_data_acceptance": {"expected-statuses": ["2xx", "404", "409", "412", "422", "428"]},
    "negative_data_rejection": {"expected-statuses": ["404", "405", "412", "413", "415", "422", "428"]},
}


PATIENCE = 120
"""Seconds: how long an answer takes is the business of the benchmark, and a machine that tests may be busy."""

STATUSES: Counter[int] = Counter()
FOLDER = TemporaryDirectory()
STORE = open_store(NOW, str(Path(FOLDER.name) / "records.sqlite"))
DOOR = Door(names=frozenset({"testserver"}))  # what schemathesis calls the server
API = schemathesis.openapi.from_asgi(
    "/openapi.json",
    create_app(Adviser(FakeModel()), STORE, DOOR),
    config=schemathesis.Config.from_dict(
        {"checks": CHECKS, "operations": [] if COUNTED else SPARED, "request-timeout": PATIENCE}
    ),
)


@pytest.fixture(scope="session", autouse=True)
def demo_bench_on_record() -> Iterator[None]:
    """Machines to ask about; gone afterwards."""
    day = NOW.date()
    STORE.add(Book(machines=tuple(MachineEntry(machine=each, taken_on=day) for each in demo_bench()[1])), NOW)
    yield
    STORE.close()
    FOLDER.cleanup()
    if COUNTED:
        Path(COUNTED).write_text(json.dumps(STATUSES, sort_keys=True), "utf-8")


@API.parametrize()
@settings(max_examples=EXAMPLES, suppress_health_check=list(HealthCheck))
def test_any_request_gets_an_answer_that_is_described(case: "schemathesis.Case[Any]") -> None:
    STATUSES[case.call_and_validate().status_code] += 1
