"""The records as files over HTTP."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from tests.fake_model import FakeModel
from tests.records.bench import NOW
from valuer.adviser import Adviser
from valuer.records.store.store import Store, open_store

HERE = "http://127.0.0.1"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    opened = open_store(NOW, str(tmp_path / "records.sqlite"))
    yield opened
    opened.close()


@pytest.fixture
def client(store: Store) -> TestClient:
    """The API with one machine on the bench."""
    made = TestClient(create_app(Adviser(FakeModel()), store), HERE)
    made.post("/v1/machines", json={"machine": {"id": "green-1", "note": "=1+1"}, "taken_on": "2026-05-01"})
    return made


@pytest.mark.parametrize("form", ["json", "csv"])
def test_what_goes_out_comes_in_again_and_twice_adds_nothing(
    client: TestClient, form: str, tmp_path: Path
) -> None:
    out = client.get(f"/v1/export?form={form}")
    assert f".{form}" in out.headers["content-disposition"]
    other = open_store(NOW, str(tmp_path / "other.sqlite"))
    fresh = TestClient(create_app(Adviser(FakeModel()), other), HERE)
    file = {"name": f"records.{form}", "text": out.text}
    assert fresh.post("/v1/import", json=file | {"dry_run": True}).json()["new"] == 1
    assert fresh.get("/v1/machines").json()["total"] == 0
    assert fresh.post("/v1/import", json=file).json()["new"] == 1
    assert fresh.post("/v1/import", json=file).json() == {
        "new": 0,
        "same": 1,
        "changed": [],
        "prices_seen": 0,
        "pictures": 0,
        "own_terms": None,
        "deed": None,
        "copy_before": None,
        "read_as": [],
    }
    assert fresh.get("/v1/export").text == client.get("/v1/export").text
    other.close()


def test_an_import_goes_back_at_once_by_its_deed(client: TestClient) -> None:
    before = client.get("/v1/export").text
    own = "s1,push,,2026-05-01,120\ns2,push,,2026-05-02,90\n"
    rows = f"id,drive,kind,sold_on,price\n{own}a1,push,ask_seen,2026-05-02,9\n"
    deed = client.post("/v1/import", json={"name": "s.csv", "text": rows}).json()["deed"]
    assert client.get("/v1/machines").json()["total"] == 3
    back = client.post(f"/v1/deeds/{deed}/undo?at_once=true").json()["deeds"]
    assert sorted(each["words"] for each in back) == ["1 price seen around", "taken in", "taken in"]
    assert client.get("/v1/export").text == before
    assert client.post(f"/v1/deeds/{deed}/undo?at_once=true").status_code == 409


def test_a_file_that_differs_is_refused_unless_it_is_to_replace(client: TestClient) -> None:
    text = client.get("/v1/export").text.replace("=1+1", "another note")
    file = {"name": "records.json", "text": text}
    assert client.post("/v1/import", json=file | {"dry_run": True}).json()["changed"] == ["green-1"]
    assert client.post("/v1/import", json=file).status_code == 409
    assert client.post("/v1/import", json=file | {"replace": True}).status_code == 200
    assert client.get("/v1/machines/green-1").json()["entry"]["machine"]["note"] == "another note"


def test_a_bad_file_is_refused_by_its_rows(client: TestClient) -> None:
    file = {"name": "bad.csv", "text": "id,drive,sold_on,price\nx1,pushed,2026-05-01,90\n"}
    answer = client.post("/v1/import", json=file)
    assert answer.status_code == 422
    assert "push" in answer.json()["errors"][0]["detail"]
    assert client.get("/v1/machines").json()["total"] == 1


def test_a_copy_is_made_listed_and_put_back_with_pictures_and_terms(client: TestClient, store: Store) -> None:
    store.keep_picture("green-1", "machine", "image/jpeg", b"a picture", NOW)
    client.put("/v1/own-terms", json={"theme": "dark"}, headers={"If-Match": '"0"'})
    (name,) = client.post("/v1/backups").json()["backups"]
    client.delete("/v1/machines/green-1", headers={"If-Match": '"1"'})
    client.put("/v1/own-terms", json={"theme": "light"}, headers={"If-Match": '"1"'})
    assert client.post(f"/v1/backups/{name}/restore").json()["kept"]
    assert len(client.get("/v1/machines/green-1/pictures").json()["pictures"]) == 1
    assert client.get("/v1/own-terms").json()["own"]["theme"] == "dark"
    assert len(client.get("/v1/backups").json()["backups"]) == 2
    assert client.post("/v1/backups/nothing.sqlite/restore").status_code == 404


def test_a_database_server_is_told_to_be_copied_in_its_own_way(
    client: TestClient, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "file", None)
    for method, path in (("GET", "backups"), ("POST", "backups"), ("POST", "backups/one/restore")):
        answer = client.request(method, f"/v1/{path}")
        assert (answer.status_code, "pg_dump" in answer.json()["detail"]) == (409, True)
