"""What was found by asking anything at all, each as one request that can be read."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from tests.fake_model import SOUND, FakeModel
from tests.records.bench import NOW
from valuer.adviser import Adviser
from valuer.records.store.store import open_store


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    """The API over the fake model and one machine on record."""
    store = open_store(NOW, str(tmp_path / "records.sqlite"))
    asked = TestClient(create_app(Adviser(FakeModel()), store), "http://127.0.0.1")
    asked.post("/v1/machines", json={"machine": {"id": "m1", "looked_over": True}, "taken_on": "2026-05-01"})
    yield asked
    store.close()


def test_a_prediction_no_record_can_hold_is_refused_by_its_cause(client: TestClient) -> None:
    """A sound machine is worth 200 there, so 10,000 of own money a dollar make two million of it."""
    sale = {"id": "m1", "price": 160, "sold_on": "2026-05-20", "terms": {"price_level": 10_000}}
    answer = client.post("/v1/sales", json=sale)
    assert answer.status_code == 422
    (wrong,) = answer.json()["errors"]
    assert wrong["pointer"] == "/terms/price_level"
    assert f"{SOUND * 10_000 * 1.2:g}" in wrong["detail"]
    assert client.get("/v1/sales").json()["total"] == 0


@pytest.mark.parametrize("path", ["/v1/correction?price_level=5e-324", "/v1/correction?price_level=0"])
def test_a_price_level_of_next_to_nothing_is_refused(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 422


@pytest.mark.parametrize("field", ["ask", "offer"])
def test_an_offer_of_less_than_a_cent_is_refused(client: TestClient, field: str) -> None:
    question = {"machines": [{"id": "m1"}], "offer": 140, "ask": 160} | {field: 5e-324}
    answer = client.post("/v1/offers", json=question)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == f"/{field}"


@pytest.mark.parametrize(
    ("path", "methods"),
    [("/v1/machines", {"GET", "POST"}), ("/v1/machines/m1", {"GET", "PUT", "DELETE"}), ("/v1/sales", {"GET", "POST"})],
)  # fmt: skip
def test_a_refused_method_is_told_all_that_there_are(
    client: TestClient, path: str, methods: set[str]
) -> None:
    """RFC 9110, section 15.5.6: Allow lists the methods of the resource, not of the first route to it."""
    answer = client.patch(path)
    assert answer.status_code == 405
    assert set(answer.headers["Allow"].split(", ")) == methods


def test_a_term_of_null_is_one_that_was_not_given(client: TestClient) -> None:
    question = {"machines": [{"id": "m1"}]}
    usual = client.post("/v1/valuations", json=question | {"terms": {}}).json()
    nulls = {"month": None, "hour_value": None, "blade_stop_limit_s": None, "currency": None}
    assert client.post("/v1/valuations", json=question | {"terms": nulls}).json() == usual
