"""The bench page as files: what is served, under which headers, and how small the first load is."""

import gzip
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.page_files import START, page_files
from tests.fake_model import FakeModel
from tests.records.bench import NOW
from valuer.adviser import Adviser
from valuer.records.store.store import open_store

PAGE = Path(__file__).resolve().parents[2] / "api" / "page"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    """The server over the fake model and an empty store."""
    store = open_store(NOW, str(tmp_path / "records.sqlite"))
    yield TestClient(create_app(Adviser(FakeModel()), store), "http://127.0.0.1")
    store.close()


def test_every_file_of_the_page_is_served_as_what_it_is(client: TestClient) -> None:
    served = page_files()
    assert sorted(served) == sorted(str(p.relative_to(PAGE)) for p in PAGE.rglob("*") if p.is_file())
    for path, file in served.items():
        answer = client.get("/" if path == START else f"/page/{path}")
        assert (answer.status_code, answer.headers["content-type"]) == (200, file.media_type)
        assert answer.content == (PAGE / path).read_bytes()


def test_what_an_editor_leaves_beside_the_pages_files_is_not_served(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "page").mkdir()
    for name in ("index.html", "index.html~", "main.js.orig"):
        (tmp_path / "page" / name).write_text(name)
    monkeypatch.setattr("api.page_files.files", lambda _package: tmp_path)
    assert [*page_files()] == ["index.html"]


@pytest.mark.parametrize("path", ["../app.py", "%2e%2e/app.py", "code/../../app.py", "nothing.js"])
def test_nothing_else_is_served(client: TestClient, path: str) -> None:
    answer = client.get(f"/page/{path}")
    assert answer.status_code == 404
    assert "create_app" not in answer.text


def test_a_file_the_browser_has_already_is_not_sent_again(client: TestClient) -> None:
    first = client.get("/")
    again = client.get("/", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize("path", ["/", "/health", "/v1/nothing", "/page/code/main.js"])
def test_every_answer_forbids_what_the_page_does_not_need(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    # Nothing from elsewhere and nothing inline: each source is this server or none (data: for pictures only).
    assert policy["default-src"] == "'none'"
    assert all(policy[name] == "'self'" for name in ("script-src", "style-src", "connect-src", "form-action"))
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


def test_answers_about_money_are_not_kept_by_the_browser(client: TestClient) -> None:
    assert client.get("/v1/machines").headers["cache-control"] == "no-store"
    assert client.get("/").headers["cache-control"] == "no-cache"


def test_the_page_names_no_other_server_and_writes_no_markup_from_data() -> None:
    for path, file in page_files().items():
        if file.media_type == "image/png":
            continue
        text = file.content.decode()
        addresses = set(re.findall(r"https?://[^\s\"')>]+", text))
        assert addresses <= {"http://www.w3.org/2000/svg"}, path
        forbidden = r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function"
        assert not re.search(forbidden, text), path
        assert not re.search(r"\sstyle=|\son[a-z]+=|<style|javascript:", text), path


def test_all_files_and_the_catalogue_fit_the_first_load(client: TestClient) -> None:
    # 200 KB in all is the promise of the page; every file and what the bench asks for at first, as sent.
    asked = [f"/page/{path}" for path in page_files() if path != START] + ["/", "/v1/catalogue"]
    sent = 0
    for path in asked:
        answer = client.get(path, headers={"Accept-Encoding": "gzip"})
        body = answer.content
        sent += len(gzip.compress(body, 5)) if answer.headers.get("content-encoding") == "gzip" else len(body)
    assert sent < 200_000


def test_a_long_answer_is_sent_small_to_whoever_can_unpack_it(client: TestClient) -> None:
    packed = client.get("/v1/catalogue", headers={"Accept-Encoding": "gzip"})
    plain = client.get("/v1/catalogue", headers={"Accept-Encoding": "identity"})
    assert (packed.headers["content-encoding"], plain.headers.get("content-encoding")) == ("gzip", None)
    assert 3 * int(packed.headers["content-length"]) < len(plain.content)
    assert packed.json() == plain.json()


LEAKY: dict[str, Any] = {"id": "green-1", "faults": ["fuel_leak_carb:slight"], "checks": {"recall": "passed"}}


def test_what_was_written_down_by_mistake_is_put_back_whole(client: TestClient) -> None:
    before = client.post("/v1/machines", json={"machine": LEAKY, "taken_on": "2026-05-01", "paid": 25}).json()
    tried = client.post(
        "/v1/machines/green-1/fixes", json={"fix": "needle_seat", "fault": "fuel_leak_carb", "cured": True}
    ).json()
    assert tried["entry"]["machine"]["faults"] == []
    path, match = "/v1/machines/green-1/entry", {"If-Match": f'"{tried["version"]}"'}
    back = client.put(path, json=before["entry"], headers=match)
    assert (back.status_code, back.json()["entry"]) == (200, before["entry"])
    assert client.put(path, json=before["entry"], headers=match).status_code == 412  # nobody is overwritten


def test_what_a_device_may_keep_is_every_file_but_the_start_and_the_worker_itself(client: TestClient) -> None:
    listed = client.get("/page/files.json").json()
    assert "/page/code/main.js" in listed
    assert not [name for name in listed if name.endswith(("worker.js", ".html"))]
