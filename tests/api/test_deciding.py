"""Questions about work over HTTP: names that others rely on, the same rules, refusals that point."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from tests.fake_model import FakeModel
from valuer.adviser import Adviser

LEAK = {"id": "m1", "drive": "push", "faults": ["fuel_leak_carb:serious"]}
PUZZLE = {"id": "m2", "drive": "push", "faults": ["oil_leak_unknown:serious"]}


@pytest.fixture(scope="module")
def client() -> TestClient:
    """The API over a value model one can follow by hand."""
    return TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1")


def ask(client: TestClient, path: str, *machines: dict[str, Any], **more: Any) -> Any:
    terms = {"month": 5, **more.pop("terms", {})}
    answer = client.post(f"/v1/{path}", json={"machines": machines, "terms": terms, **more})
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_work_list_goes_on_from_what_was_done(client: TestClient) -> None:
    answer = ask(client, "work-lists", LEAK, PUZZLE, done={"m1": {"carb_new_generic": "worked"}})
    cured, other = answer["work_lists"]
    assert not [step for step in cured["steps"] if step["kind"] == "fix"]
    assert cured["left_now"] > ask(client, "work-lists", LEAK)["work_lists"][0]["left_now"]
    assert other == ask(client, "work-lists", PUZZLE)["work_lists"][0], "the other machine is left alone"


def test_a_work_list_at_other_values_of_an_hour(client: TestClient) -> None:
    (plan,) = ask(client, "work-lists", LEAK, hour_values=[0, 500])["work_lists"]
    assert [point["hour_value"] for point in plan["by_hour_value"]] == [0, 15, 500]
    assert {"steps", "expected_return", "bench_hours"} < set(plan["by_hour_value"][0])


def test_a_work_list_has_its_names(client: TestClient) -> None:
    (answer,) = ask(client, "work-lists", LEAK)["work_lists"]
    names = {"id", "verdict", "summary", "steps", "ends", "ways_now", "before_sale", "symptoms", "questions"}
    assert names < set(answer)
    step = {"number", "kind", "name", "minutes", "parts", "chance", "brings", "cautions", "why", "results"}
    assert step < set(answer["steps"][0])
    assert set(answer["symptoms"][0]) == {"fault", "causes"}


def test_a_look_that_was_taken_is_not_asked_for_again_where_it_settles_the_cause(client: TestClient) -> None:
    seen = {"m2": {"oil_leak_find": "sump"}}
    (answer,) = ask(client, "work-lists", PUZZLE, seen=seen)["work_lists"]
    assert answer["symptoms"][0]["causes"][0]["cause"] == "sump_joint"
    assert "oil_leak_find" not in [part["id"] for step in answer["steps"] for part in step["parts_of_it"]]


def test_a_purchase_limit_has_its_names(client: TestClient) -> None:
    (answer,) = ask(client, "purchase-limits", LEAK, want_per_hour=20, asked=5)["purchase_limits"]
    names = {"most_to_pay", "limit", "verdict", "reason", "proceeds", "costs", "hours", "low", "high"}
    assert names < set(answer)
    assert answer["low"] <= answer["high"]


def test_a_bench_plan_has_its_names_and_the_ranking_beside_it(client: TestClient) -> None:
    answer = ask(client, "bench-plans", LEAK, PUZZLE, terms={"hours": 1, "cash": 30})
    plan = answer["bench_plan"]
    assert {"machines", "expected_return", "one_more_hour", "ten_more_cash", "gap", "cautions"} < set(plan)
    ranking = ask(client, "bench-rankings", LEAK, PUZZLE, terms={"hours": 1, "cash": 30})
    assert answer["bench_ranking"] == ranking["bench_ranking"]


def test_work_so_far_counts_on_the_bench_too(client: TestClient) -> None:
    answer = ask(client, "bench-plans", LEAK, done={"m1": {"carb_new_generic": "worked"}})
    assert answer["bench_plan"]["machines"][0]["action"] != "work"


def test_a_repair_quote_takes_what_is_known_and_fills_in_the_rest(client: TestClient) -> None:
    answer = ask(client, "repair-quotes", LEAK, PUZZLE, quotes={"m1": {"parts": 80, "hours": 3, "rate": 60}})
    assert answer["usual"] == ["m2"]
    assert [quote["id"] for quote in answer["repair_quotes"]] == ["m1", "m2"]
    assert answer["repair_quotes"][0]["bill"] == 260
    first, second = answer["quoted"]
    assert (first["parts"], first["hours"], first["diagnosis_fee"]) == (80, 3, 0)
    assert second["diagnosis_fee"] == 50, "the usual fee for looking (common practice, no source)"


REFUSED = {
    ("work-lists", "done", "m9"): ({"m9": {"needle_seat": "failed"}}, "/done/m9"),
    ("work-lists", "done", "fix"): ({"m1": {"needle_set": "failed"}}, "/done/m1"),
    ("work-lists", "done", "result"): ({"m1": {"needle_seat": "broke"}}, "/done/m1"),
    ("work-lists", "hour_values", "below 0"): ([-1], ""),
    ("work-lists", "hour_values", "too many"): (list(range(30)), "/hour_values"),
    ("work-lists", "seen", "look"): ({"m1": {"wet_point": "sump"}}, "/seen/m1/wet_point"),
    ("work-lists", "seen", "outcome"): (
        {"m1": {"look_for_tap": "maybe"}},
        "/seen/m1/look_for_tap",
    ),
    ("work-lists", "seen", "machine"): ({"m9": {"look_for_tap": "seen"}}, "/seen/m9"),
    ("bench-plans", "done", "machine"): ({"m9": {"needle_seat": "failed"}}, "/done/m9"),
    ("purchase-limits", "not_there", "fault"): (["rust"], "/not_there"),
    ("purchase-limits", "asked", "below 0"): (-1, "/asked"),
    ("repair-quotes", "quotes", "machine"): ({"m9": {"parts": 3}}, "/quotes/m9"),
    ("repair-quotes", "quotes", "cures"): ({"m1": {"cures": ["no_start"]}}, "/quotes/m1/cures"),
    ("repair-quotes", "quotes", "rate"): ({"m1": {"rate": -3}}, "/quotes/m1/rate"),
    ("repair-quotes", "quotes", "name"): ({"m1": {"price": 3}}, "/quotes/m1/price"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_does_not_fit_is_refused_with_a_pointer(client: TestClient, case: tuple[str, str, str]) -> None:
    (path, part, _), (given, pointer) = case, REFUSED[case]
    answer = client.post(f"/v1/{path}", json={"machines": [LEAK], "terms": {"month": 5}, part: given})
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    (error,) = answer.json()["errors"]
    assert error["pointer"] == pointer
    assert error["detail"]


def test_two_wishes_at_once_are_refused(client: TestClient) -> None:
    body = {"machines": [LEAK], "want": 10, "want_per_hour": 20}
    answer = client.post("/v1/purchase-limits", json=body)
    assert answer.status_code == 422
    assert "leave one out" in answer.json()["errors"][0]["detail"]
