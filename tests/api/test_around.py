"""Own terms, pictures, another name, and taking deeds back, over HTTP."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from tests.fake_model import FakeModel
from tests.records.bench import NOW, entry
from valuer.adviser import Adviser
from valuer.records.store.store import Store, open_store

SCAN = b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00" + b"coded\xff\x00data\xff\xd0more"
FRAME = b"\xff\xc0\x00\x0b\x08\x00\x10\x00\x10\x01\x01\x11\x00"  # 16 by 16, one component
JFIF = b"\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00"


def segment(kind: int, content: bytes) -> bytes:
    """A segment of a JPEG: marker, length (which counts itself), content; ITU-T T.81, B.1.1.4."""
    return bytes((0xFF, kind)) + (len(content) + 2).to_bytes(2, "big") + content


def photograph(extra: bytes = b"") -> bytes:
    return b"\xff\xd8" + JFIF + extra + FRAME + SCAN + b"\xff\xd9"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    opened = open_store(NOW, str(tmp_path / "records.sqlite"))
    yield opened
    opened.close()


@pytest.fixture
def client(store: Store) -> TestClient:
    """The API over the fake model, one machine on the bench."""
    made = TestClient(create_app(Adviser(FakeModel()), store), "http://127.0.0.1")
    body = {"machine": {"id": "green-1", "faults": ["blade_dull:slight"]}, "taken_on": "2026-05-01"}
    assert made.post("/v1/machines", json=body).status_code == 201
    return made


def photo(client: TestClient, content: bytes, shows: str = "machine", kind: str = "image/jpeg") -> Any:
    path = f"/v1/machines/green-1/pictures?shows={shows}"
    return client.post(path, content=content, headers={"Content-Type": kind})


def test_own_terms_are_kept_and_somebody_elses_change_is_not_written_over(
    client: TestClient, store: Store
) -> None:
    first = client.get("/v1/own-terms").json()
    assert (first["version"], first["own"]["terms"]) == (0, {})
    mine = {
        "terms": {"hour_value": 18, "currency": "EUR"},
        "words": "american",
        "theme": "dark",
        "country": "AT",
    }
    kept = client.put("/v1/own-terms", json=mine, headers={"If-Match": '"0"'})
    assert (kept.status_code, kept.headers["ETag"]) == (200, '"1"')
    late = client.put("/v1/own-terms", json={"terms": {"hour_value": 9}}, headers={"If-Match": '"0"'})
    assert late.status_code == 412
    assert client.get("/v1/own-terms").json()["own"] == {"weeks": 12, **mine}
    assert store.own_terms().document == mine, "what was not given is not kept: another default may come"


@pytest.mark.parametrize(
    ("terms", "words"),
    [
        ({"hour_value": -1}, "0 or more"),
        ({"currency": "euro"}, "three capital letters"),
        ({"hourly": 3}, "no such term"),
        ({"price_level": "2"}, "a number"),
    ],
)
def test_terms_that_no_question_could_carry_are_refused(client: TestClient, terms: Any, words: str) -> None:
    answer = client.put("/v1/own-terms", json={"terms": terms}, headers={"If-Match": '"0"'})
    assert answer.status_code == 422
    assert words in answer.json()["errors"][0]["detail"]
    assert client.get("/v1/own-terms").json()["version"] == 0


def test_a_picture_is_kept_without_place_and_time(client: TestClient) -> None:
    exif = segment(0xE1, b"Exif\x00\x00 somewhere, some day")
    note = segment(0xFE, b"a comment")
    adobe = segment(0xEE, b"Adobe\x00d\x00\x00\x00\x00\x01")
    taken = photo(client, photograph(exif + note + adobe) + b"a second picture behind the end")
    assert taken.status_code == 201
    name = taken.json()["name"]
    kept = client.get(f"/v1/machines/green-1/pictures/{name}")
    assert kept.headers["content-type"] == "image/jpeg"
    assert kept.content == photograph(adobe)
    assert client.get("/v1/machines/green-1/pictures").json()["pictures"] == [taken.json()]
    assert photo(client, photograph(adobe)).json() == taken.json(), "the same one twice is one"
    assert client.delete(f"/v1/machines/green-1/pictures/{name}").status_code == 204
    assert client.get(f"/v1/machines/green-1/pictures/{name}").status_code == 404


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"GIF89a", "image/jpeg", 422),
        (photograph()[:-2], "image/jpeg", 422),
        (b"\xff\xd8\xff\xd9", "image/jpeg", 422),
        (
            b"\xff\xd8" + FRAME.replace(b"\x00\x10\x00\x10", b"\xff\xff\xff\xff") + SCAN + b"\xff\xd9",
            "image/jpeg",
            422,
        ),
        (photograph(), "image/png", 415),
        (b"\xff" * 2_100_000, "image/jpeg", 413),
    ],
)
def test_what_is_no_picture_is_refused(client: TestClient, content: bytes, kind: str, status: int) -> None:
    assert photo(client, content, kind=kind).status_code == status
    assert client.get("/v1/machines/green-1/pictures").json()["pictures"] == []


def test_a_machine_has_no_more_pictures_than_it_may(client: TestClient) -> None:
    for number in range(12):
        assert photo(client, photograph(segment(0xEE, bytes([number] * 12)))).status_code == 201
    assert photo(client, photograph()).status_code == 409


def test_pictures_and_work_go_with_a_machine_under_its_new_name(client: TestClient) -> None:
    name = photo(client, photograph()).json()["name"]
    client.put(
        "/v1/machines/green-1/weeks", json={"week_of": "2026-05-04", "ask": 90}, headers={"If-Match": '"1"'}
    )
    named = client.post("/v1/machines/green-1/name", json={"id": "blue-2"}, headers={"If-Match": '"2"'})
    assert (named.status_code, named.json()["version"]) == (200, 3)
    assert client.get("/v1/machines/green-1").status_code == 404
    entry = client.get("/v1/machines/blue-2").json()["entry"]
    assert (entry["weeks"][0]["ask"], entry["machine"]["faults"]) == (90, ["blade_dull:slight"])
    assert client.get(f"/v1/machines/blue-2/pictures/{name}").status_code == 200
    back = client.get("/v1/deeds").json()["deeds"][0]
    assert back["words"] == "named blue-2, green-1 before"
    assert client.post(f"/v1/deeds/{back['number']}/undo").status_code == 200
    assert client.get(f"/v1/machines/green-1/pictures/{name}").status_code == 200


def test_a_name_that_is_taken_is_refused(client: TestClient) -> None:
    client.post("/v1/machines", json={"machine": {"id": "other"}})
    named = client.post("/v1/machines/green-1/name", json={"id": "other"}, headers={"If-Match": '"1"'})
    assert named.status_code == 409


def deeds(client: TestClient) -> Any:
    return client.get("/v1/deeds").json()["deeds"]


def test_all_deeds_of_a_day_are_taken_back_newest_first_and_none_out_of_order(client: TestClient) -> None:
    photo(client, photograph())
    before = client.get("/v1/machines/green-1").json()["entry"]
    client.put(
        "/v1/machines/green-1/weeks", json={"week_of": "2026-05-04", "ask": 90}, headers={"If-Match": '"1"'}
    )
    sold = {"id": "green-1", "price": 80, "sold_on": "2026-05-10", "terms": {"month": 5}}
    assert client.post("/v1/sales", json=sold).status_code == 201
    client.delete("/v1/machines/green-1", headers={"If-Match": '"3"'})
    words = [each["words"] for each in deeds(client)]
    assert words == ["removed", "sold for 80", "listed at 90", "taken in"]
    assert client.post(f"/v1/deeds/{deeds(client)[1]['number']}/undo").status_code == 409, (
        "a later one stands"
    )
    for deed in deeds(client)[:3]:
        assert client.post(f"/v1/deeds/{deed['number']}/undo").status_code == 200
    assert client.get("/v1/machines/green-1").json()["entry"] == before
    assert len(client.get("/v1/machines/green-1/pictures").json()["pictures"]) == 1, (
        "removed, and back with them"
    )
    first = deeds(client)[3]["number"]
    back = client.post(f"/v1/deeds/{first}/undo").json()
    assert (back["version"], back["entry"]) == (None, None)
    assert [(deed["number"], deed["undone"]) for deed in back["deeds"]] == [(first, True)]
    assert client.get("/v1/machines").json()["total"] == 0
    assert client.post(f"/v1/deeds/{first}/undo").status_code == 409, "once is enough"
    assert [each["undone"] for each in deeds(client)] == [True] * 4


def test_the_deeds_of_today_begin_at_midnight(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the day as it is here, whatever the time of day at which it is asked."""
    midnight = NOW.astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
    asked = midnight + timedelta(hours=3, minutes=2, seconds=1, microseconds=5)
    monkeypatch.setattr("api.around.now", lambda: asked)
    store.take(entry("yesterday"), midnight - timedelta(microseconds=1))
    store.take(entry("today"), midnight)
    client = TestClient(create_app(Adviser(FakeModel()), store), "http://127.0.0.1")
    assert [deed["id"] for deed in client.get("/v1/deeds").json()["deeds"]] == ["today"]
    told = client.get("/v1/deeds?days=1").json()["deeds"]
    assert [deed["id"] for deed in told] == ["today", "yesterday"]


def test_one_taken_in_anew_has_no_pictures_of_the_one_struck_before(client: TestClient) -> None:
    photo(client, photograph())
    client.delete("/v1/machines/green-1", headers={"If-Match": '"1"'})
    client.post("/v1/machines", json={"machine": {"id": "green-1"}})
    assert client.get("/v1/machines/green-1/pictures").json()["pictures"] == []


def test_a_change_sent_again_under_its_key_gets_its_first_answer(client: TestClient) -> None:
    # The answer to the first was lost; the entry has moved on, and the second is no change of what stands now.
    week = {"week_of": "2026-05-04", "ask": 90}
    headers = {"If-Match": '"1"', "Idempotency-Key": "one"}
    first = client.put("/v1/machines/green-1/weeks", json=week, headers=headers)
    again = client.put("/v1/machines/green-1/weeks", json=week, headers=headers)
    assert (first.status_code, again.status_code, again.json()) == (200, 200, first.json())
    machine = {"id": "green-1", "checks": {"recall": "passed"}}
    headers = {"If-Match": '"2"', "Idempotency-Key": "two"}
    assert client.put("/v1/machines/green-1", json=machine, headers=headers).json()["version"] == 3
    assert client.put("/v1/machines/green-1", json=machine, headers=headers).json()["version"] == 3
    late = client.put(
        "/v1/machines/green-1", json=machine, headers={"If-Match": '"2"', "Idempotency-Key": "3"}
    )
    assert late.status_code == 412
