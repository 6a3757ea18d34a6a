"""What people type, read over HTTP: a slow blade with a comma is asked back, never passed (C1)."""

from fastapi.testclient import TestClient

from api.app import create_app
from tests.fake_model import FakeModel
from valuer.adviser import Adviser

CLIENT = TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1")


def read(name: str, text: str, **more: str) -> dict[str, object]:
    answer = CLIENT.post("/v1/read/figures", json={"figures": [{"name": name, "text": text}], **more})
    assert answer.status_code == 200
    (figure,) = answer.json()["figures"]
    return dict(figure)


def test_a_comma_that_may_part_runs_or_digits_comes_back_with_both_readings() -> None:
    asked = read("blade_stop_s", "3,1")
    assert asked["value"] is None
    assert asked["readings"] == ["3.1 s", "2 runs of 3 and 1 s"]


def test_what_is_understood_is_said_back() -> None:
    assert read("compression_psi", "6 bar")["said"] == "6 bar = 87.02 psi"
    assert read("price", "110,50")["value"] == 110.5
    assert read("blade_stop_s", "2.1; 2.2; 2.3")["value"] == [2.1, 2.2, 2.3]


def test_money_in_another_currency_is_asked_back() -> None:
    assert read("price", "12 €", currency="EUR")["value"] == 12
    assert "expected money in USD" in str(read("price", "12 €", currency="USD")["problem"])


def test_a_figure_that_nobody_knows_is_refused() -> None:
    answer = CLIENT.post("/v1/read/figures", json={"figures": [{"name": "blade_stop", "text": "3"}]})
    assert answer.status_code == 422
    assert "did you mean 'blade_stop_s'?" in answer.json()["errors"][0]["detail"]


def test_words_that_name_nothing_are_refused_at_their_place() -> None:
    answer = CLIENT.post("/v1/read/machines", json={"words": "   "})
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.json()["errors"]] == ["/words"]
