"""The records over HTTP: paging, ETags, posts that are repeated, and what they teach."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.problems import Refusal
from api.records import version_of
from tests.fake_model import SOUND, FakeModel
from tests.records.bench import NOW
from valuer.adviser import Adviser
from valuer.records.store.store import Store, open_store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    opened = open_store(NOW, str(tmp_path / "records.sqlite"))
    yield opened
    opened.close()


@pytest.fixture
def client(store: Store) -> TestClient:
    """The API over the fake model and the store."""
    return TestClient(create_app(Adviser(FakeModel()), store), "http://127.0.0.1")


LEAKY = {"id": "green-1", "looked_over": True, "faults": ["fuel_leak_carb:slight", "blade_dull:slight"]}


def take(client: TestClient, machine: dict[str, Any] = LEAKY, **headers: str) -> Any:
    body = {"machine": machine, "taken_on": "2026-05-01", "paid": 25}
    return client.post(
        "/v1/machines", json=body, headers={k.replace("_", "-"): v for k, v in headers.items()}
    )


def test_without_a_store_there_are_no_records() -> None:
    bare = TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1")
    assert bare.get("/v1/machines").status_code == 404


def test_from_taking_in_to_the_sale(client: TestClient) -> None:
    taken = take(client)
    assert (taken.status_code, taken.headers["ETag"]) == (201, '"1"')
    tried = client.post(
        "/v1/machines/green-1/fixes",
        json={
            "fix": "needle_seat",
            "fault": "fuel_leak_carb",
            "cured": False,
            "parts": 4,
            "terms": {"month": 5},
        },
    )
    assert tried.status_code == 201
    (done,) = tried.json()["entry"]["fixes"]
    assert done["promised"] is not None
    week = client.put(
        "/v1/machines/green-1/weeks",
        json={"week_of": "2026-05-05", "ask": 180, "offers": [140]},
        headers={"If-Match": tried.headers["ETag"]},
    )
    assert week.json()["entry"]["weeks"][0]["week_of"] == "2026-05-04"
    sold = client.post("/v1/sales", json={"id": "green-1", "price": 160, "sold_on": "2026-05-16"})
    assert sold.status_code == 201
    # 200 less a tenth for each of two slight faults.
    assert sold.json()["entry"]["sale"]["prediction"]["amount"] == pytest.approx(SOUND * 0.81)
    page = client.get("/v1/sales").json()
    assert (page["total"], page["entries"][0]["entry"]["sale"]["price"]) == (1, 160)


def test_a_sale_can_be_taken_back(client: TestClient) -> None:
    take(client)
    sold = client.post("/v1/sales", json={"id": "green-1", "price": 160, "sold_on": "2026-05-16"})
    back = client.delete("/v1/sales/green-1", headers={"If-Match": sold.headers["ETag"]})
    assert back.json()["entry"]["sale"] is None
    assert client.get("/v1/sales").json()["total"] == 0


def test_pages(client: TestClient) -> None:
    for number in range(7):
        take(client, {"id": f"m{number}"})
    page = client.get("/v1/machines", params={"offset": 5, "limit": 5}).json()
    assert [each["entry"]["machine"]["id"] for each in page["entries"]] == ["m5", "m6"]
    assert (page["offset"], page["limit"], page["total"]) == (5, 5, 7)
    for wrong in ({"limit": 0}, {"limit": 201}, {"offset": -1}, {"which": "some"}):
        assert client.get("/v1/machines", params=wrong).status_code == 422


def test_a_change_says_what_it_changes(client: TestClient) -> None:
    etag = take(client).headers["ETag"]
    new = {"id": "green-1", "looked_over": True, "faults": []}
    assert client.put("/v1/machines/green-1", json=new).status_code == 428
    assert client.put("/v1/machines/green-1", json=new, headers={"If-Match": "x"}).status_code == 412
    first = client.put("/v1/machines/green-1", json=new, headers={"If-Match": etag})
    assert (first.status_code, first.headers["ETag"]) == (200, '"2"')
    late = client.put("/v1/machines/green-1", json=LEAKY, headers={"If-Match": etag})
    assert late.status_code == 412
    assert late.json()["detail"] == "green-1 was changed since it was read; read it again"
    assert client.get("/v1/machines/green-1").json()["entry"]["machine"]["faults"] == []


def test_striking_a_machine(client: TestClient) -> None:
    etag = take(client).headers["ETag"]
    assert client.delete("/v1/machines/green-1").status_code == 428
    gone = client.delete("/v1/machines/green-1", headers={"If-Match": etag})
    assert (gone.status_code, gone.content) == (204, b"")
    assert client.get("/v1/machines/green-1").status_code == 404


def test_a_repeated_post_is_done_once(client: TestClient) -> None:
    first = take(client, Idempotency_Key="k1")
    again = take(client, Idempotency_Key="k1")
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.json() == first.json()
    assert again.headers["ETag"] == first.headers["ETag"]
    assert again.headers["Answered-Before"] == "true"
    assert client.get("/v1/machines").json()["total"] == 1


def test_a_repeated_try_is_written_down_once(client: TestClient) -> None:
    take(client)
    body = {"fix": "needle_seat", "fault": "fuel_leak_carb", "cured": False}
    for _ in range(3):
        client.post("/v1/machines/green-1/fixes", json=body, headers={"Idempotency-Key": "k1"})
    assert len(client.get("/v1/machines/green-1").json()["entry"]["fixes"]) == 1


def test_a_key_used_for_another_post_is_refused(client: TestClient) -> None:
    take(client, Idempotency_Key="k1")
    other = take(client, {"id": "grey-2"}, Idempotency_Key="k1")
    assert other.status_code == 422
    assert "was used for another post" in other.json()["detail"]


def test_the_same_post_from_many_at_once_is_done_once(client: TestClient) -> None:
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: take(client, Idempotency_Key="k1"), range(8)))
    assert {answer.status_code for answer in answers} == {201}
    assert client.get("/v1/machines").json()["total"] == 1


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "words"),
    [
        ("get", "/v1/machines/none", None, 404, "no machine 'none' in the records"),
        ("post", "/v1/sales", {"id": "none", "price": 5}, 404, "no machine 'none' in the records"),
        ("post", "/v1/machines", {"machine": LEAKY}, 409, "green-1: on record already"),
        (
            "post",
            "/v1/sales",
            {"id": "green-1", "price": 5, "sold_on": "2026-04-01"},
            409,
            "taken in on 2026-05-01",
        ),
        ("post", "/v1/sales", {"id": "green-1", "price": -5}, 422, "price must be above 0, got -5.0"),
        (
            "post",
            "/v1/sales",
            {"id": "green-1", "price": 5, "sold_as": "gift"},
            422,
            "sold_as must be one of",
        ),
        (
            "post",
            "/v1/sales",
            {"id": "green-1", "price": 5, "sold_on": "1.5.2026"},
            422,
            "a day as YYYY-MM-DD",
        ),
        (
            "post",
            "/v1/machines/green-1/fixes",
            {"fix": "needle_seet", "fault": "fuel_leak_carb", "cured": True},
            422,
            "did you mean 'needle_seat'",
        ),
    ],
)
def test_refusals(
    client: TestClient, method: str, path: str, body: dict[str, Any] | None, status: int, words: str
) -> None:
    take(client)
    answer = client.request(method, path, json=body)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")
    assert words in answer.text.replace("\\u0027", "'")


def test_a_store_that_cannot_be_read_is_503(client: TestClient, store: Store, tmp_path: Path) -> None:
    take(client)
    store.close()
    (tmp_path / "records.sqlite").write_bytes(b"no database" * 1000)
    for ending in ("-wal", "-shm"):
        (tmp_path / f"records.sqlite{ending}").unlink(missing_ok=True)
    answer = client.get("/v1/machines")
    assert answer.status_code == 503
    assert "records.sqlite is damaged" in answer.json()["detail"]
    asked = {"machines": [{"id": "x"}], "terms": {"month": 5}}
    assert client.post("/v1/valuations", json=asked).status_code == 200, "a question needs no records"


def test_what_is_sold_moves_the_next_answer(client: TestClient) -> None:
    asked = {"machines": [{"id": "x"}], "terms": {"month": 5}}
    before = client.post("/v1/valuations", json=asked).json()["valuations"][0]
    for number in range(10):
        take(client, {"id": f"m{number}"})
        client.post("/v1/sales", json={"id": f"m{number}", "price": 260, "sold_on": "2026-05-20"})
    after = client.post("/v1/valuations", json=asked).json()["valuations"][0]
    assert after["value"]["amount"] > before["value"]["amount"] * 1.05
    assert after["basis"]["own_sales"] == 10
    report, *others = (
        client.get(f"/v1/correction{at}").json() for at in ("", "?price_level=1", "?price_level=2")
    )
    assert report["own_sales"] == 10
    assert [other == report for other in others] == [True, False], "money is that of a price level of 1"
    figures = {figure["name"]: figure for figure in client.get("/v1/accuracy").json()["figures"]}
    assert figures["median ratio"]["count"] == 10


def test_every_route_says_what_it_does_and_how_it_refuses(store: Store) -> None:
    paths = create_app(Adviser(FakeModel()), store).openapi()["paths"]
    for path in ("/v1/machines", "/v1/machines/{machine_id}", "/v1/sales", "/v1/correction", "/v1/accuracy"):
        for route in paths[path].values():
            assert route["description"]
            assert {"404", "409", "412", "428", "503", "422", "500"} <= set(route["responses"])


def test_the_examples_of_the_document_are_answered(client: TestClient) -> None:
    openapi: dict[str, Any] = client.get("/openapi.json").json()

    def shown(path: str) -> Any:
        content = openapi["paths"][path]["post"]["requestBody"]["content"]["application/json"]
        return next(iter(content["examples"].values()))["value"]

    assert client.post("/v1/machines", json=shown("/v1/machines")).status_code == 201
    tried = client.post("/v1/machines/green-1/fixes", json=shown("/v1/machines/{machine_id}/fixes"))
    assert tried.status_code == 201, tried.text
    assert client.post("/v1/sales", json=shown("/v1/sales")).status_code == 201


def test_a_delete_of_what_somebody_else_has_changed_since_removes_nothing(client: TestClient) -> None:
    """An ETag names one state (RFC 9110, section 13.1.1); it was read before a fix was written down."""
    read = take(client).headers["ETag"]
    changed = client.put("/v1/machines/green-1", json={"id": "green-1"}, headers={"If-Match": read})
    assert client.delete("/v1/machines/green-1", headers={"If-Match": read}).status_code == 412
    assert client.get("/v1/machines/green-1").status_code == 200
    now = {"If-Match": changed.headers["ETag"]}
    assert client.delete("/v1/machines/green-1", headers=now).status_code == 204


@pytest.mark.parametrize("method", ["sale", "entry", "weeks"])
def test_no_change_is_made_to_another_state_than_the_one_that_was_read(
    client: TestClient, method: str
) -> None:
    read = take(client).headers["ETag"]
    entry = client.get("/v1/machines/green-1").json()["entry"]
    client.post("/v1/sales", json={"id": "green-1", "price": 160, "sold_on": "2026-05-16"})
    stale = {"If-Match": read}
    answer = {
        "sale": lambda: client.delete("/v1/sales/green-1", headers=stale),
        "entry": lambda: client.put("/v1/machines/green-1/entry", json=entry, headers=stale),
        "weeks": lambda: client.put(
            "/v1/machines/green-1/weeks", json={"week_of": "2026-05-05", "ask": 180}, headers=stale
        ),
    }[method]()
    assert answer.status_code == 412
    assert client.get("/v1/machines/green-1").json()["entry"]["sale"]["price"] == 160


@pytest.mark.parametrize(("given", "version"), [('"7"', 7), ('W/"7"', 7), ('"999999999"', 999_999_999)])
def test_a_version_is_read_as_it_was_given(given: str, version: int) -> None:
    assert version_of(given) == version


@pytest.mark.parametrize("given", ['"1000000000"', '"\u0663"', '"-1"', '""', '"\u00b2"'])
def test_what_is_no_count_of_changes_is_no_version(given: str) -> None:
    """Ten digits, digits of another script, a sign, nothing, a power."""
    with pytest.raises(Refusal, match="expected an ETag as it was given"):
        version_of(given)
