"""Every refusal of the API is one document of RFC 9457, whatever went wrong."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import APIRouter, FastAPI
from fastapi.testclient import TestClient
from httpx2 import Response
from pydantic import BaseModel

from api import bodies
from api.bodies import MOST_BYTES, HeavyRoute
from api.problems import MEDIA_TYPE, install, pointer
from api.questions import MOST_MACHINES, Question


class Asked(BaseModel):
    """What was asked."""

    ids: list[str]
    month: int


@pytest.fixture
def client() -> TestClient:
    """A server that answers with the ids it was asked about, and one route with a fault of ours."""
    router = APIRouter(route_class=HeavyRoute)

    @router.post("/ask")
    def ask(question: Question) -> Asked:
        return Asked(ids=[machine.id for machine in question.machines], month=question.terms.month)

    @router.get("/broken")
    def broken() -> Asked:
        raise ZeroDivisionError

    app = FastAPI()
    install(app)
    app.include_router(router)
    return TestClient(app, raise_server_exceptions=False)


def problem(answer: Response, status: int) -> dict[str, Any]:
    """The problem document of an answer, after the checks that hold for each of them (RFC 9457 section 3)."""
    assert answer.status_code == status
    assert answer.headers["content-type"] == MEDIA_TYPE == "application/problem+json"
    document: dict[str, Any] = answer.json()
    assert document["type"] == "about:blank"
    assert document["status"] == status
    assert document["title"]
    assert document["detail"]
    assert document["instance"] == answer.request.url.path
    return document


def post(client: TestClient, body: str | bytes, content_type: str = "application/json") -> Response:
    return client.post("/ask", content=body, headers={"content-type": content_type})


def test_a_question_is_answered(client: TestClient) -> None:
    answer = post(
        client, '{"machines": [{"id": "m1"}], "terms": {"month": 5}}', "application/json; charset=utf-8"
    )
    assert answer.json() == {"ids": ["m1"], "month": 5}


FIELDS = {
    '{"machines": [{"id": "m1", "drive": "pusch"}]}': (
        "/machines/0/drive",
        (
            "drive must be one of push, front_one_speed, front_variable, rear_variable, all_wheel, "
            "hydrostatic; got 'pusch'; did you mean 'push'?"
        ),
    ),
    '{"machines": [{"id": "m1"}, {"id": "m2", "faults": ["blade_dull:slight", "blade_dul:slight"]}]}': (
        "/machines/1/faults/1",
        "fault must be a name from the catalogue; got 'blade_dul'; did you mean 'blade_dull'?",
    ),
    '{"machines": [{"id": "m1", "age_years": NaN}]}': (
        "/machines/0/age_years",
        "age_years must be a finite number, got nan",
    ),
    '{"machines": [{"id": "m1", "readings": {"cold_pulls": -Infinity}}]}': (
        "/machines/0/readings/cold_pulls",
        "cold_pulls must be a finite number, got -inf",
    ),
    '{"machines": [{"id": "m1"}], "terms": {"hour_value": -2}}': (
        "/terms/hour_value",
        "hour_value must be 0 or more, got -2",
    ),
    '{"machines": [{"id": "m1"}], "terms": {"hour_valu": 2}}': (
        "/terms/hour_valu",
        "unknown name 'hour_valu'; did you mean 'hour_value'?",
    ),
    '{"machines": [{"id": "m1"}], "terms": 3}': (
        "/terms",
        "this must be an object of names and values, got 3",
    ),
    '{"machine": [{"id": "m1"}], "machines": [{"id": "m1"}]}': (
        "/machine",
        "unknown name 'machine'; did you mean 'machines'?",
    ),
    '{"machines": [{"id": "m1", "a/b~c": 1}]}': ("/machines/0/a~1b~0c", "unknown name 'a/b~c'"),
    '{"machines": []}': ("/machines", "expected 1 to 1000 machines, got 0"),
    '{"machines": {"id": "m1"}}': ("/machines", "machines must be a list, got {'id': 'm1'}"),
    '{"machines": [{"id": "m1"}, {"id": "m1"}]}': ("", "each machine needs an id of its own, got 'm1' twice"),
    "{}": ("/machines", "machines is missing; it must be given"),
    "": ("", "expected a JSON body, got nothing"),
    "[]": ("", "this must be an object of names and values, got []"),
    '{"machines": [{"id": "m1"},': ("", "not valid JSON: expecting value (line 1, column 28)"),
    '{"machines": [], "machines": []}': ("", '"machines" stands twice in one object; keep one of them'),
    "[" * 100_000: ("", "nested too deeply; a machine has at most three levels"),
}


@pytest.mark.parametrize("body", FIELDS)
def test_a_wrong_field_is_pointed_at(client: TestClient, body: str) -> None:
    document = problem(post(client, body), 422)
    where, what = FIELDS[body]
    assert document["errors"] == [{"pointer": where, "detail": what}]


FILL = ", ".join(json.dumps({"id": f"m{number}", "note": "-" * 400}) for number in range(12))
"""Machines that nothing is wrong with, longer than what is read strictly at once."""

LONG = {
    "[%s, {]": "not valid JSON: key must be a string (line 1, column ",
    "[%s": "not valid JSON: EOF while parsing a list (line 1, column ",
    "[%s, 1" + "0" * 5_000 + "]": "a number is absurdly long; give at most 15 digits",
    '{"machines": [%s], "terms": '
    + "[" * 900
    + "]" * 900
    + "}": "nested too deeply; a machine has at most three levels",
    '{"machines": [%s, {"id": "z", "note": "a", "note": "b"}]}': (
        '"note" stands twice in the object with id "z"; keep one of them'
    ),
}


@pytest.mark.parametrize("body", LONG)
def test_a_long_body_is_refused_in_the_words_of_a_short_one(client: TestClient, body: str) -> None:
    (error,) = problem(post(client, body.replace("%s", FILL)), 422)["errors"]
    assert (error["pointer"], error["detail"][: len(LONG[body])]) == ("", LONG[body])


def test_a_long_body_that_says_something_wrong_is_not_read_for_doubled_names(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Refusing costs less than answering: the dear reading is for what would be answered."""
    read: list[int] = []
    monkeypatch.setattr(bodies, "parse", lambda text, _: read.append(len(text)))
    document = problem(post(client, f'{{"machines": [{FILL}], "terms": {{"month": 13}}}}'), 422)
    assert [each["pointer"] for each in document["errors"]] == ["/terms/month"]
    assert not read
    post(client, f'{{"machines": [{FILL}], "terms": {{"month": 5}}}}')
    assert len(read) == 1


def test_every_wrong_field_is_pointed_at(client: TestClient) -> None:
    body = '{"machines": [{"id": "m 1", "age_years": -1}], "terms": {"month": 13}}'
    document = problem(post(client, body), 422)
    assert document["detail"] == "3 fields are not as expected"
    assert [each["pointer"] for each in document["errors"]] == [
        "/machines/0/id",
        "/machines/0/age_years",
        "/terms/month",
    ]


def test_a_long_list_of_wrong_fields_is_cut_and_counted(client: TestClient) -> None:
    body = json.dumps({"machines": [{"id": f"m{i}", "age_years": -1} for i in range(60)]})
    document = problem(post(client, body), 422)
    assert document["detail"] == "40 fields or more are not as expected; so many were looked at"
    assert [each["pointer"] for each in document["errors"]] == [f"/machines/{i}/age_years" for i in range(40)]


def test_bytes_that_are_no_text(client: TestClient) -> None:
    document = problem(post(client, b'{"machines": "\xe9"}'), 422)
    assert document["errors"] == [{"pointer": "", "detail": "the body is not UTF-8 text; encode it as UTF-8"}]


def test_too_many_machines(client: TestClient) -> None:
    body = json.dumps({"machines": [{"id": f"m{i}"} for i in range(MOST_MACHINES + 1)]})
    (error,) = problem(post(client, body), 422)["errors"]
    assert error == {"pointer": "/machines", "detail": "expected 1 to 1000 machines, got 1001"}


def test_a_body_that_announces_itself_as_too_large(client: TestClient) -> None:
    document = problem(post(client, b" " * (MOST_BYTES + 1)), 413)
    assert document["detail"] == "the body is over 2,000 kB; send less at a time"


def test_a_body_that_grows_too_large_in_pieces(client: TestClient) -> None:
    def pieces() -> Iterator[bytes]:
        for _ in range(3):
            yield b" " * 1_000_000

    answer = client.post("/ask", content=pieces(), headers={"content-type": "application/json"})
    assert "content-length" not in answer.request.headers
    problem(answer, 413)


@pytest.mark.parametrize(
    "content_type", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""]
)
def test_a_body_of_another_type(client: TestClient, content_type: str) -> None:
    document = problem(post(client, '{"machines": [{"id": "m1"}]}', content_type), 415)
    assert document["detail"] == "the body must be JSON; send it with Content-Type: application/json"


def test_an_unknown_path(client: TestClient) -> None:
    assert problem(client.get("/none"), 404)["detail"] == "no such path; /openapi.json lists those there are"


def test_a_method_the_path_does_not_take(client: TestClient) -> None:
    answer = client.delete("/ask")
    problem(answer, 405)
    assert answer.headers["allow"] == "POST"


def test_a_fault_of_ours_tells_nothing_of_the_inside(client: TestClient) -> None:
    document = problem(client.get("/broken"), 500)
    assert document["detail"] == "something went wrong inside; the server's log says where"
    assert "ZeroDivision" not in json.dumps(document)


def test_pointers_follow_rfc_6901() -> None:
    # RFC 6901 section 5: "a/b" is written /a~1b and "m~n" is written /m~0n.
    assert pointer(["a/b"]) == "/a~1b"
    assert pointer(["m~n"]) == "/m~0n"
    assert pointer(["foo", 0]) == "/foo/0"
    assert pointer([]) == ""
