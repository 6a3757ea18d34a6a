"""How much one request may ask for: every body and list has an end, and the description names it."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from tests.fake_model import FakeModel
from valuer.adviser import Adviser

APP = create_app(Adviser(FakeModel()))
# Measured on the trained model with twelve faults a machine, seconds each: next checks 3.4, the most to pay 3.0,
# asking prices .8, fix plans .16, the rest below .1. A request has 60 s, and two are answered at once.
MOST = {
    "valuations": 1000,
    "bench-rankings": 1000,
    "bench-plans": 1000,
    "repair-quotes": 1000,
    "work-lists": 25,
    "asking-prices": 60,
    "listings": 60,
    "offers": 60,
    "purchase-limits": 20,
}
NEEDED: dict[str, dict[str, Any]] = {"offers": {"offer": 100}}


@pytest.fixture(scope="module")
def client() -> TestClient:
    """The API over a value model one can follow by hand."""
    return TestClient(APP, "http://127.0.0.1")


def asked(client: TestClient, path: str, machines: int, **more: Any) -> Any:
    body = {"machines": [{"id": f"m{i}"} for i in range(machines)], "terms": {"month": 5}, **more}
    return client.post(f"/v1/{path}", json={**NEEDED.get(path, {}), **body})


def test_every_question_has_its_limit() -> None:
    questions = {
        path.removeprefix("/v1/") for path, methods in APP.openapi()["paths"].items() if "post" in methods
    }
    assert questions - {"entrance", "read/figures", "read/machines", "invitations"} == set(MOST)


@pytest.mark.parametrize("path", MOST)
def test_one_machine_more_is_refused_and_the_description_says_where_it_ends(
    client: TestClient, path: str
) -> None:
    most = MOST[path]
    answer = asked(client, path, most + 1)
    assert answer.status_code == 422
    (error,) = answer.json()["errors"]
    assert error == {"pointer": "/machines", "detail": f"expected 1 to {most} machines, got {most + 1}"}
    body = APP.openapi()["paths"][f"/v1/{path}"]["post"]["requestBody"]["content"]["application/json"][
        "schema"
    ]
    name = body["$ref"].removeprefix("#/components/schemas/")
    assert APP.openapi()["components"]["schemas"][name]["properties"]["machines"]["maxItems"] == most


def test_plans_over_the_hours_worth_are_counted_together(client: TestClient) -> None:
    answer = asked(client, "work-lists", 20, hour_values=[1, 2, 3, 4])
    assert answer.status_code == 422
    assert "80 lists (machines times hour_values) are over 60" in answer.text
    assert asked(client, "work-lists", 2, hour_values=[1, 2, 3]).status_code == 200


LISTS = [
    ("purchase-limits", "not_there", ["bent_crank"] * 2_000),
    ("listings", "done", ["x"] * 41),
    ("work-lists", "done", {f"m{i}": {} for i in range(2_000)}),
    ("work-lists", "seen", {f"m{i}": {} for i in range(2_000)}),
]


@pytest.mark.parametrize(("path", "name", "long"), LISTS)
def test_a_list_beside_the_machines_has_an_end_too(
    client: TestClient, path: str, name: str, long: Any
) -> None:
    answer = asked(client, path, 1, **{name: long})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"].startswith(f"/{name}")


def test_figures_that_somebody_typed_have_an_end_too(client: TestClient) -> None:
    figure = {"name": "price", "text": "1"}
    answer = client.post("/v1/read/figures", json={"figures": [figure] * 201})
    assert answer.status_code == 422
    assert client.post("/v1/read/figures", json={"figures": [figure] * 200}).status_code == 200


@pytest.mark.parametrize(("path", "most"), [("valuations", 200_000), ("entrance", 400)])
def test_more_values_than_anybody_needs_for_so_long_a_body_are_refused_before_one_is_made(
    client: TestClient, path: str, most: int
) -> None:
    body = f'{{"token": [{"1," * most}1]}}'
    answer = client.post(f"/v1/{path}", content=body, headers={"content-type": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["detail"] == f"holds more than {most:,} values; split it"


DEEP = [
    '{"machines": ' + "[" * 5_000,
    '{"machines": [{"id": "m1", "readings": ' + '{"a":' * 200 + "1" + "}" * 203,
]


@pytest.mark.parametrize("body", DEEP)
def test_nesting_without_end_is_refused(client: TestClient, body: str) -> None:
    answer = client.post("/v1/valuations", content=body, headers={"content-type": "application/json"})
    assert answer.status_code == 422
    assert len(answer.content) < 2_000
