"""Every route: its contract, its examples, and the names that others rely on."""

import hashlib
import json
import re
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.questions import Question
from tests.fake_model import SOUND, FakeModel
from valuer.adviser import Adviser
from valuer.domain.faults import fault_catalogue
from valuer.domain.fixes import fix_catalogue
from valuer.domain.machine import Machine


@pytest.fixture(scope="module")
def client() -> TestClient:
    """The API over a value model one can follow by hand."""
    return TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1")


OPENAPI: dict[str, Any] = create_app(Adviser(FakeModel())).openapi()
ROUTES = [(path, method) for path, methods in OPENAPI["paths"].items() for method in methods]
ENTRANCE = {"/v1/entrance", "/v1/invitations"}
QUESTIONS = [path for path, method in ROUTES if method == "post" and path not in ENTRANCE]


def examples(path: str) -> dict[str, Any]:
    """The request bodies shown in the document for a question."""
    shown = OPENAPI["paths"][path]["post"]["requestBody"]["content"]["application/json"]["examples"]
    return {name: example["value"] for name, example in shown.items()}


def test_the_routes_are_these() -> None:
    assert sorted(ROUTES) == [
        ("/health", "get"),
        ("/v1/asking-prices", "post"),
        ("/v1/bench-plans", "post"),
        ("/v1/bench-rankings", "post"),
        ("/v1/catalogue", "get"),
        ("/v1/devices", "get"),
        ("/v1/devices/{number}", "delete"),
        ("/v1/entrance", "delete"),
        ("/v1/entrance", "post"),
        ("/v1/invitations", "post"),
        ("/v1/listings", "post"),
        ("/v1/model-card", "get"),
        ("/v1/offers", "post"),
        ("/v1/purchase-limits", "post"),
        ("/v1/read/figures", "post"),
        ("/v1/read/machines", "post"),
        ("/v1/repair-quotes", "post"),
        ("/v1/valuations", "post"),
        ("/v1/work-lists", "post"),
    ]


@pytest.mark.parametrize(("path", "method"), ROUTES)
def test_every_route_says_what_it_does_and_how_it_refuses(path: str, method: str) -> None:
    route = OPENAPI["paths"][path][method]
    assert route["description"]
    for status, response in route["responses"].items():
        plain = (
            status in {"200", "201"} or path == "/health"
        )  # the condition of the tool has one shape, well or not
        media = [] if status == "204" else ["application/json" if plain else "application/problem+json"]
        assert list(response.get("content", ())) == media
    assert method == "get" or {"413", "415", "422", "500"} < set(route["responses"])


def test_every_reference_in_the_document_leads_somewhere() -> None:
    text = json.dumps(OPENAPI)
    for part in text.split('"$ref": "')[1:]:
        name = part.split('"')[0].removeprefix("#/components/schemas/")
        assert name in OPENAPI["components"]["schemas"]


@pytest.mark.parametrize("path", QUESTIONS)
def test_every_question_has_examples_and_each_is_answered(client: TestClient, path: str) -> None:
    bodies = examples(path)
    assert bodies
    for name, body in bodies.items():
        answer = client.post(path, json=body)
        assert answer.status_code == 200, f"{name}: {answer.text}"


def ask(client: TestClient, path: str, *machines: dict[str, Any], **terms: object) -> Any:
    answer = client.post(path, json={"machines": machines, "terms": {"month": 5, **terms}})
    assert answer.status_code == 200, answer.text
    return answer.json()


ONE = {"id": "m1", "faults": ["blade_dull:slight", "paint_faded:serious"], "looked_over": True}


def test_a_valuation_has_the_fixed_names(client: TestClient) -> None:
    (valuation,) = ask(client, "/v1/valuations", ONE, currency="EUR")["valuations"]
    assert {"id", "value", "fault_costs", "safety", "cautions", "warnings", "basis"} <= set(valuation)
    assert set(valuation["value"]) >= {"amount", "low", "high", "coverage", "currency"}
    assert set(valuation["fault_costs"][0]) >= {
        "fault",
        "severity",
        "cured_alone",
        "lost_alone",
        "share",
        "records",
    }
    assert set(valuation["safety"]) >= {"may_be_sold", "must_cure", "unchecked"}
    assert set(valuation["basis"]) == {"model", "data_sha256", "synthetic", "own_sales", "range_holds"}
    assert valuation["value"]["currency"] == "EUR"


def test_a_valuation_follows_the_model_by_hand(client: TestClient) -> None:
    # 200 sound; a slight fault leaves .9 of it, a serious one .75: 135 with both, 150 and 180 with one.
    (valuation,) = ask(client, "/v1/valuations", ONE)["valuations"]
    costs = {cost["fault"]: cost for cost in valuation["fault_costs"]}
    assert SOUND == 200
    assert valuation["value"]["amount"] == pytest.approx(135)
    assert costs["blade_dull"]["cured_alone"] == pytest.approx(150 - 135)
    assert costs["blade_dull"]["lost_alone"] == pytest.approx(200 - 180)
    assert costs["paint_faded"]["lost_alone"] == pytest.approx(200 - 150)
    # Shapley, two players: the mean of joining first and joining last.
    assert costs["paint_faded"]["share"] == pytest.approx((50 + 45) / 2)
    assert sum(cost["share"] for cost in costs.values()) == pytest.approx(200 - 135)


def test_a_work_list_has_the_fixed_names(client: TestClient) -> None:
    (plan,) = ask(client, "/v1/work-lists", ONE)["work_lists"]
    assert set(plan) >= {
        "steps",
        "expected_return",
        "bench_hours",
        "cash",
        "left",
        "left_now",
        "ends",
        "verdict",
    }


def test_a_bench_ranking_has_the_fixed_names_and_order(client: TestClient) -> None:
    other = {"id": "m2", "faults": ["stiff_roll:serious", "dirty:serious"]}
    ranking = ask(client, "/v1/bench-rankings", ONE, other)["bench_ranking"]
    names = {
        "id",
        "value_now",
        "value_after",
        "expected_return",
        "bench_hours",
        "return_per_hour",
        "chance_of_loss",
        "first_step",
        "steps",
    }
    assert names <= set(ranking["machines"][0])
    rates = [machine["return_per_hour"] for machine in ranking["machines"]]
    assert rates == sorted(rates, reverse=True)


def test_answers_come_in_the_order_asked(client: TestClient) -> None:
    machines = [{"id": f"m{i}"} for i in (3, 1, 2)]
    for path, name in (("/v1/valuations", "valuations"), ("/v1/work-lists", "work_lists")):
        assert [each["id"] for each in ask(client, path, *machines)[name]] == ["m3", "m1", "m2"]


def test_the_price_level_multiplies_every_value(client: TestClient) -> None:
    (dollars,) = ask(client, "/v1/valuations", ONE)["valuations"]
    (tenfold,) = ask(client, "/v1/valuations", ONE, price_level=10)["valuations"]
    for name in ("amount", "low", "high"):
        assert tenfold["value"][name] == pytest.approx(10 * dollars["value"][name])


def test_each_term_of_the_shop_may_be_left_out_or_null_and_is_explained_once() -> None:
    terms = Question.model_json_schema()["properties"]["terms"]
    assert "required" not in terms
    for name, term in terms["properties"].items():
        assert {"type": "null"} in term["anyOf"], name
        assert not [part for part in term["anyOf"] if {"default", "description"} & {*part}], name


def test_every_answer_says_that_it_rests_on_invented_data(client: TestClient) -> None:
    for path in ("/v1/valuations", "/v1/work-lists", "/v1/bench-rankings"):
        assert '"synthetic":true' in client.post(path, json={"machines": [ONE]}).text
    assert client.get("/health").json()["basis"]["synthetic"] is True


def test_the_catalogue_names_everything_a_machine_may_have(client: TestClient) -> None:
    catalogue = client.get("/v1/catalogue").json()
    assert [fault["id"] for fault in catalogue["faults"]] == list(fault_catalogue())
    assert [fix["id"] for fix in catalogue["fixes"]] == list(fix_catalogue())
    assert list(catalogue["attributes"]) == list(Machine.model_fields)
    assert all(fault["mark"] for fault in catalogue["faults"] + catalogue["fixes"])


def test_the_model_card_says_first_that_the_data_is_invented(client: TestClient) -> None:
    card = client.get("/v1/model-card").json()
    assert "invented" in card["markdown"][:1500]
    assert card["metrics"]
    assert set(re.findall(r"!\[.+\]\((.+)\)", card["markdown"])) == set(card["pictures"])


def test_the_model_card_is_that_of_the_sales_in_force(
    client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    kept = tmp_path / "valuer" / "training_sales.csv"
    kept.parent.mkdir()
    sales = b"id\n"
    kept.write_bytes(sales)
    named = f"# A card of the file {hashlib.sha256(sales).hexdigest()}"
    kept.with_name("training_card.md").write_text(named)
    assert client.get("/v1/model-card").json() == {"markdown": named, "metrics": {}, "pictures": {}}


def test_there_is_no_page_that_loads_scripts_from_elsewhere(client: TestClient) -> None:
    assert client.get("/docs").status_code == 404
    assert client.get("/redoc").status_code == 404
    assert client.get("/openapi.json").status_code == 200
