"""The API describes all of itself, and its reference page is the one that its description makes."""

import json
from typing import Any

import pytest
from fastapi.testclient import TestClient
from jsonschema_rs import validator_for

from api.app import create_app
from api.description import FIELDS, PRECISELY, QUESTIONS
from tests.api.reference import PAGE, document, page
from tests.fake_model import FakeModel
from valuer.adviser import Adviser

API = document()
SCHEMAS: dict[str, Any] = API["components"]["schemas"]
OPERATIONS = {
    f"{method} {path}": operation for path, each in API["paths"].items() for method, operation in each.items()
}


@pytest.mark.parametrize("name", OPERATIONS)
def test_every_route_stands_under_a_question_and_explains_itself_and_its_parameters(name: str) -> None:
    operation = OPERATIONS[name]
    (question,) = operation["tags"]
    assert question in QUESTIONS
    assert operation["description"]
    for parameter in operation.get("parameters", ()):
        assert parameter.get("description"), parameter["name"]


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_record_and_every_field_of_it_is_explained(name: str) -> None:
    schema = SCHEMAS[name]
    silent = [field for field, told in schema.get("properties", {}).items() if not told.get("description")]
    assert not silent, f"{name}: say in the field, or in api/description.py, what it means"


def test_no_words_are_kept_for_what_is_gone() -> None:
    names = {field for schema in SCHEMAS.values() for field in schema.get("properties", {})}
    names |= {each["name"] for operation in OPERATIONS.values() for each in operation.get("parameters", ())}
    assert set(FIELDS) <= names
    assert {name.rpartition(".")[2] for name in PRECISELY} <= names


def test_every_question_has_an_example_of_its_answer_in_the_form_described() -> None:
    shown = 0
    for operation in OPERATIONS.values():
        told = operation["responses"].get("200", {}).get("content", {}).get("application/json", {})
        if "example" in told:
            shown += 1
            schema = {**told["schema"], "components": API["components"]}
            validator_for(schema).validate(told["example"])
    assert shown >= 11, "nine questions, and the two that read what was typed"


def test_the_token_is_a_scheme_and_this_computer_needs_none() -> None:
    assert API["security"] == [{}, {"token": []}, {"device": []}]
    assert API["components"]["securitySchemes"]["token"]["scheme"] == "bearer"


def test_the_reference_page_is_the_one_that_the_description_makes() -> None:
    told = "the reference is stale: python -m tests.api.reference"
    assert PAGE.read_text("utf-8") == page(json.loads(json.dumps(API))), told


def test_unknown_readings_are_left_out_of_answers() -> None:
    client = TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1")
    told = client.post(
        "/v1/read/machines", json={"words": "rear drive, blade stops in 2.1 s, 3 pulls from cold"}
    ).json()
    assert told["machine"]["readings"] == {"blade_stop_s": [2.1], "cold_pulls": 3}
