"""Who is turned away at the door: other names, other sites' pages, callers without the token; and how."""

import secrets
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from api.app import create_app
from api.door import COOKIE, LOOPBACK, Door, token_sha256
from api.headers import HEADERS, ONLY_WHERE_SAFE
from tests.fake_model import FakeModel
from valuer.adviser import Adviser

TOKEN = secrets.token_urlsafe(32)
LAN = Door(frozenset({"127.0.0.1", "localhost", "bench.local"}), 8000, token_sha256(TOKEN))
QUESTION: dict[str, Any] = {"machines": [{"id": "m1"}], "terms": {"month": 5}}


def client(door: Door, base: str = "http://127.0.0.1:8000") -> TestClient:
    return TestClient(create_app(Adviser(FakeModel()), door=door), base)


@pytest.fixture
def loopback() -> TestClient:
    """A server of this computer only, on port 8000."""
    return client(Door(port=8000))


@pytest.fixture
def lan() -> TestClient:
    """A server of the network, on port 8000, with a token."""
    return client(LAN)


def refused(answer: Response, status: int) -> dict[str, Any]:
    """The problem document of a refusal, which carries the headers of every other answer."""
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    left_out = {ONLY_WHERE_SAFE} if answer.request.url.host not in LOOPBACK else set()
    assert {name for name in HEADERS if answer.headers.get(name) != HEADERS[name]} == left_out
    assert answer.headers["x-request-id"] == answer.json()["request_id"]
    document: dict[str, Any] = answer.json()
    return document


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000", "LOCALHOST:8000", "[::1]:8000"])
def test_a_server_goes_by_the_names_of_this_computer(loopback: TestClient, host: str) -> None:
    assert loopback.get("/v1/catalogue", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "elsewhere.example:8000",  # a name whose owner points it at 127.0.0.1: DNS rebinding
        "127.0.0.1.elsewhere.example:8000",
        "127.0.0.1:9000",
        "127.0.0.1",
        "127.0.0.1:8000@elsewhere.example",
        "elsewhere.example@127.0.0.1:8000",
        "127.0.0.1:8000/v1",
        "127.0.0.1:port",
        "[::1",
        "",
    ],
)
@pytest.mark.parametrize("path", ["/", "/health", "/v1/catalogue", "/page/code/main.js"])
def test_it_goes_by_no_other_name(loopback: TestClient, host: str, path: str) -> None:
    refused(loopback.get(path, headers={"Host": host}), 421)


def test_two_names_at_once_are_none(loopback: TestClient) -> None:
    hosts = [("Host", "127.0.0.1:8000"), ("Host", "elsewhere.example:8000")]
    refused(loopback.get("/health", headers=hosts), 421)


FOREIGN = [
    {"Origin": "http://elsewhere.example"},
    {"Origin": "null"},
    {"Origin": "http://127.0.0.1:9000"},
    {"Origin": "https://127.0.0.1:8000"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Origin": "http://127.0.0.1:8000", "Sec-Fetch-Site": "cross-site"},
]


@pytest.mark.parametrize("headers", FOREIGN)
def test_a_page_of_another_site_changes_nothing(loopback: TestClient, headers: dict[str, str]) -> None:
    refused(loopback.post("/v1/valuations", json=QUESTION, headers=headers), 403)
    refused(loopback.delete("/v1/machines/m1", headers=headers), 403)


@pytest.mark.parametrize(
    "headers", [{}, {"Origin": "http://127.0.0.1:8000", "Sec-Fetch-Site": "same-origin"}]
)
def test_the_own_page_and_a_program_may(loopback: TestClient, headers: dict[str, str]) -> None:
    assert loopback.post("/v1/valuations", json=QUESTION, headers=headers).status_code == 200


def test_no_other_site_is_let_read_either(loopback: TestClient) -> None:
    # Fetch standard: without Access-Control-Allow-Origin a browser gives a foreign page nothing of an answer.
    for answer in (
        loopback.get("/v1/catalogue", headers={"Origin": "http://elsewhere.example"}),
        loopback.options("/v1/valuations", headers={"Origin": "http://elsewhere.example"}),
    ):
        assert not [name for name in answer.headers if name.startswith("access-control")]


WITHOUT = [
    {},
    {"Authorization": "Bearer"},
    {"Authorization": f"Bearer {TOKEN[:-1]}"},
    {"Authorization": f"Bearer {TOKEN}x"},
    {"Authorization": f"Basic {TOKEN}"},
    {"Authorization": f"Bearer {token_sha256(TOKEN)}"},  # who reads the kept hash is not in
    {"Cookie": f"{COOKIE}={TOKEN[::-1]}"},
    {"Cookie": f"{COOKIE}="},
]


@pytest.mark.parametrize("headers", WITHOUT)
@pytest.mark.parametrize("path", ["/v1/catalogue", "/v1/machines", "/openapi.json", "/v1/nothing", "/page"])
def test_without_the_token_nothing_is_told(lan: TestClient, path: str, headers: dict[str, str]) -> None:
    answer = lan.get(path, headers=headers)
    refused(answer, 401)
    assert answer.headers["www-authenticate"] == "Bearer"  # RFC 9110 section 15.5.2 asks for it


@pytest.mark.parametrize("headers", WITHOUT)
def test_without_the_token_nothing_is_done(lan: TestClient, headers: dict[str, str]) -> None:
    refused(lan.post("/v1/valuations", json=QUESTION, headers=headers), 401)
    refused(lan.post("/health", headers=headers), 401)


def test_a_refusal_reads_no_body(lan: TestClient) -> None:
    refused(lan.post("/v1/valuations", content=b"x" * 3_000_000), 401)


@pytest.mark.parametrize("kind", ["Bearer", "bearer"])
def test_a_program_sends_the_token_in_a_header(lan: TestClient, kind: str) -> None:
    answer = lan.post("/v1/valuations", json=QUESTION, headers={"Authorization": f"{kind} {TOKEN}"})
    assert answer.status_code == 200


def test_a_device_exchanges_the_token_for_a_cookie_no_script_can_read(lan: TestClient) -> None:
    answer = lan.post("/v1/entrance", json={"token": TOKEN})
    assert (answer.status_code, answer.content) == (204, b"")
    parts = {part.strip().lower() for part in answer.headers["set-cookie"].split(";")}
    assert {"httponly", "samesite=strict", "path=/"} <= parts
    assert not any(part.startswith("domain=") for part in parts)
    assert lan.post("/v1/valuations", json=QUESTION).status_code == 200
    gone = lan.delete("/v1/entrance")
    assert gone.status_code == 204
    taken_back = {part.strip().lower() for part in gone.headers["set-cookie"].split(";")}
    assert {"httponly", "samesite=strict", "path=/", "max-age=0"} <= taken_back
    refused(lan.post("/v1/valuations", json=QUESTION), 401)


def test_a_wrong_token_gets_no_cookie(lan: TestClient) -> None:
    answer = lan.post("/v1/entrance", json={"token": "guess"})
    refused(answer, 401)
    assert "set-cookie" not in answer.headers


def test_another_site_cannot_let_a_device_in(lan: TestClient) -> None:
    answer = lan.post("/v1/entrance", json={"token": TOKEN}, headers={"Origin": "http://elsewhere.example"})
    refused(answer, 403)


def test_a_stranger_sees_the_page_and_that_it_runs_and_no_more(lan: TestClient) -> None:
    assert lan.get("/").status_code == 200
    assert lan.get("/page/code/main.js").status_code == 200
    assert lan.get("/health").json() == {"status": "runs"}


@pytest.mark.parametrize("path", ["/page/../v1/catalogue", "/page/%2e%2e/v1/catalogue", "//v1/catalogue"])
def test_the_open_paths_lead_nowhere_else(lan: TestClient, path: str) -> None:
    assert lan.get(path).status_code in {401, 404}


def test_the_address_a_request_arrives_at_is_a_name_of_the_server() -> None:
    # Starlette's test client says that a request arrived at the host of its base address.
    there = client(LAN, "http://192.0.2.7:8000")
    assert there.get("/health").status_code == 200
    refused(there.get("/health", headers={"Host": "192.0.2.8:8000"}), 421)
    assert there.get("/health", headers={"Host": "bench.local:8000"}).status_code == 200


def test_a_page_that_comes_over_tls_stands_apart_from_other_windows_wherever_it_comes_from() -> None:
    told = {
        base: client(LAN, f"{base}:8000").get("/").headers.get(ONLY_WHERE_SAFE)
        for base in ("https://192.0.2.7", "http://192.0.2.7", "http://127.0.0.1")
    }
    assert [*told.values()] == ["same-origin", None, "same-origin"]


def test_on_loopback_no_other_address_is_a_name() -> None:
    refused(client(Door(port=8000), "http://192.0.2.7:8000").get("/health"), 421)


def test_a_server_that_listens_on_no_address_goes_by_its_names() -> None:
    """Behind a socket of the machine's own a request arrives at no address (ASGI: server may be None)."""
    app = create_app(Adviser(FakeModel()), door=LAN)

    async def on_a_socket(scope: Any, receive: Any, send: Any) -> None:
        await app({**scope, "server": None}, receive, send)

    known = {"Authorization": f"Bearer {TOKEN}"}
    for host, status in (("bench.local:8000", 200), ("192.0.2.7:8000", 421)):
        asked = TestClient(on_a_socket, f"http://{host}")
        assert asked.get("/v1/catalogue", headers=known).status_code == status
