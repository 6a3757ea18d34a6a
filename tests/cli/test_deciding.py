"""Commands of the work as a user types them, on a value model one can follow by hand.

Sound machines are worth 200 there; a slight fault leaves nine tenths, a serious one three quarters.
"""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from tests.cli.conftest import Run
from tests.fake_model import FakeModel
from valuer.adviser import Adviser

BENCH = str(Path(__file__).resolve().parents[2] / "valuer/demo/bench.json")
LEAK = b'{"machines": [{"id": "m1", "drive": "push", "faults": ["fuel_leak_carb:serious"], "looked_over": true}]}'
UNSEEN = LEAK.replace(b', "looked_over": true', b"")
POOR = (
    b'{"machines": [{"id": "m1", "age_years": 14, "faults": ["drive_none:serious", "deck_crack:serious", '
    b'"oil_leak_sump:serious"]}]}'
)


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "records.sqlite"))


def words(text: str) -> str:
    """The text with every run of blanks as one."""
    return " ".join(text.split())


def document(run: Run, *args: str, stdin: bytes = b"") -> Any:
    """The JSON document of a command that is answered."""
    ran = run(*args, "--month", "5", "--json", stdin=stdin)
    assert (ran.code, ran.err) == (0, "")
    return json.loads(ran.out)


# ------------------------------------------------------------------------------------------------- valuer fixes
def fixes_in(work_list: Any) -> list[str]:
    """The fixes of a work list, in working order."""
    return [
        part["id"] for step in work_list["steps"] if step["kind"] == "fix" for part in step["parts_of_it"]
    ]


def test_what_failed_is_not_done_again_and_a_lesser_form_of_it_neither(run: Run) -> None:
    # T45. After a new carburettor failed, neither the seat nor a cleaning of the old one is of use.
    (after,) = document(run, "fixes", "-", "--done", "carb_new_maker=failed", stdin=LEAK)["work_lists"]
    lesser = {"needle_seat", "carb_strip_clean", "carb_ultrasonic", "carb_new_generic", "carb_new_maker"}
    assert lesser.isdisjoint(fixes_in(after))


def test_what_worked_is_gone_and_its_checks_have_to_be_passed(run: Run) -> None:
    (plan,) = document(run, "fixes", "-", "--done", "carb_new_generic=worked", stdin=LEAK)["work_lists"]
    assert fixes_in(plan) == []
    assert plan["safety"]["must_cure"] == []
    assert "fuel" in plan["safety"]["unchecked"]
    assert "fuel" in [gate["check"] for gate in plan["before_sale"]]


def test_the_text_says_what_it_goes_on_from(run: Run) -> None:
    out = run("fixes", "-", "--done", "needle_seat=failed", "--month", "5", stdin=LEAK).out
    assert out.startswith("Told so far: needle_seat=failed. What was spent on it no longer counts.")


def test_every_step_and_every_result_of_the_list_is_in_the_full_text(run: Run) -> None:
    asked = ("fixes", BENCH, "--machine", "slow-stop")
    (plan,) = document(run, *asked)["work_lists"]
    out = words(run(*asked, "--month", "5", "--full").out)
    assert plan["steps"]
    for step in plan["steps"]:
        assert words(step["why"]) in out
        for caution in step["cautions"]:
            assert caution.partition(": ")[0] in out
        for result in step["results"]:
            assert f"{result['says']} ({result['chance']:.0%})" in out


def test_one_machine_is_answered_in_twenty_lines_with_the_cautions_of_its_first_step(run: Run) -> None:
    out = run("fixes", BENCH, "--machine", "slow-stop", "--month", "5").out
    (plan,) = document(run, "fixes", BENCH, "--machine", "slow-stop")["work_lists"]
    assert len(out.splitlines()) <= 24
    for caution in plan["steps"][0]["cautions"]:
        assert caution.partition(": ")[0] in words(out)


def test_the_list_at_several_values_of_an_hour(run: Run) -> None:
    args = ("fixes", BENCH, "--machine", "night-weep", "--if-hour", "0", "--if-hour", "900", "--month", "5")
    (plan,) = json.loads(run(*args, "--json").out)["work_lists"]
    points = plan["by_hour_value"]
    assert [point["hour_value"] for point in points] == [0, 15, 900], "the hour of the terms among them"
    hours = [point["bench_hours"] for point in points]
    assert hours == sorted(hours, reverse=True), "T11: a dearer hour never asks for more hours"
    out = run(*args).out
    assert max(map(len, out.splitlines())) <= 80
    for switch in plan["switch_points"]:
        assert f"{switch:.2f}" in out


def test_by_hour_shows_the_usual_values(run: Run) -> None:
    (plan,) = document(run, "fixes", "-", "--by-hour", stdin=LEAK)["work_lists"]
    assert len(plan["by_hour_value"]) >= 4
    assert document(run, "fixes", "-", stdin=LEAK)["work_lists"][0]["by_hour_value"] == []


# -------------------------------------------------------------------------------------------------- valuer next
def test_next_is_the_same_list_and_what_a_symptom_may_be_sums_to_one(run: Run) -> None:
    asked = (BENCH, "--machine", "oil-puzzle")
    assert document(run, "next", *asked) == document(run, "fixes", *asked)
    (answer,) = document(run, "next", *asked)["work_lists"]
    for symptom in answer["symptoms"]:
        assert sum(cause["chance"] for cause in symptom["causes"]) == pytest.approx(1, abs=1e-3)
    assert answer["verdict"] in {"go on", "sell as it stands", "break for parts", "scrap"}


def test_what_a_look_showed_changes_what_it_may_be(run: Run) -> None:
    (answer,) = document(run, "next", BENCH, "--machine", "oil-puzzle", "--seen", "oil_leak_find=sump")[
        "work_lists"
    ]
    assert answer["symptoms"][0]["causes"][0]["cause"] == "sump_joint"


def test_next_in_full_says_the_verdict_the_causes_and_the_law(run: Run) -> None:
    out = words(run("next", BENCH, "--machine", "oil-puzzle", "--month", "5", "--full").out)
    assert re.search(r"Verdict: (go on|sell as it stands|break for parts|scrap)\. ", out)
    assert "oil_leak_unknown may be: sump gasket" in out
    assert "unmeasured is not passed" in out.lower()
    assert "Cautions:" in out


# --------------------------------------------------------------------------------------------------- valuer buy
def test_t56_a_free_machine_can_still_be_do_not_fetch(run: Run) -> None:
    (answer,) = document(run, "buy", "-", "--asked", "0", stdin=POOR)["purchase_limits"]
    assert (answer["verdict"], answer["most_to_pay"]) == ("do not fetch it", 0)
    assert answer["limit"] < 0
    out = run("buy", "-", "--asked", "0", "--month", "5", stdin=POOR).out
    assert out.startswith("m1: do not fetch it.\n")


def test_t10_the_price_asked_moves_only_fetch_or_do_not_fetch(run: Run) -> None:
    asked = ("buy", "-", "--hour-value", "1", "--asked")
    (cheap,) = document(run, *asked, "1", stdin=LEAK)["purchase_limits"]
    (dear,) = document(run, *asked, "900", stdin=LEAK)["purchase_limits"]
    assert (cheap["verdict"], dear["verdict"]) == ("fetch it", "do not fetch it")
    assert {name for name in cheap if cheap[name] != dear[name]} == {"asked", "verdict", "reason"}


def test_t10_what_was_paid_for_an_owned_machine_moves_no_advice(run: Run) -> None:
    def advice() -> list[Any]:
        return [document(run, name, "-", stdin=LEAK) for name in ("fixes", "next", "bench")]

    before = advice()
    assert run("take", "-", "--machine", "m1", "--paid", "180", "--hours", "3", stdin=LEAK).code == 0
    assert advice() == before


def test_miles_are_paid_at_the_rate_of_the_terms(run: Run) -> None:
    # .70 a mile (IRS notice 2025, second hand), every trip that brings something home paying for the wasted.
    near, far = (
        document(run, "buy", "-", "--miles", miles, stdin=LEAK)["purchase_limits"][0]
        for miles in ("0", "100")
    )
    trips = [next(line for line in a["costs"] if line["name"] == "trip") for a in (near, far)]
    assert trips[0]["cash"] == 0
    assert trips[1]["cash"] == pytest.approx(100 * 0.70 / 0.8, rel=0.15)  # one trip in five wasted, or so
    assert near["limit"] - far["limit"] == pytest.approx(trips[1]["cash"], abs=0.02)


def test_wanted_in_total_comes_off_and_wanted_per_hour_counts_every_hour(run: Run) -> None:
    (plain,) = document(run, "buy", "-", stdin=LEAK)["purchase_limits"]
    (wanted,) = document(run, "buy", "-", "--want", "40", stdin=LEAK)["purchase_limits"]
    (hourly,) = document(run, "buy", "-", "--want-per-hour", "20", stdin=LEAK)["purchase_limits"]
    assert plain["limit"] - wanted["limit"] == pytest.approx(40, abs=0.02)
    assert hourly["limit"] < plain["limit"], "20 an hour is more than the usual 15"
    assert hourly["wanted_per_hour"] == 20


def test_what_was_looked_for_and_not_found_is_not_counted(run: Run) -> None:
    (open_,) = document(run, "buy", "-", stdin=UNSEEN)["purchase_limits"]
    (known,) = document(run, "buy", "-", "--not-there", "deck_rust_hole", stdin=UNSEEN)["purchase_limits"]
    assert set(open_["not_known"]) - set(known["not_known"]) == {"deck_rust_hole"}


# ------------------------------------------------------------------------------------------------- valuer bench
def test_the_week_keeps_its_limits_and_more_never_brings_less(run: Run) -> None:
    plans = [
        document(run, "bench", BENCH, "--hours", hours, "--cash", cash)["bench_plan"]
        for hours, cash in (("2", "20"), ("6", "80"), ("60", "800"))
    ]
    for plan in plans:
        assert plan["bench_hours"] <= plan["hours_free"] + 1e-6
        assert plan["cash"] <= plan["cash_free"] + 1e-6
        assert plan["gap"] == 0
        assert min(plan["one_more_hour"], plan["ten_more_cash"]) >= 0
        assert len(plan["machines"]) == 10
    returns = [plan["expected_return"] for plan in plans]
    assert returns == sorted(returns)


def test_the_ranking_stands_beside_the_week(run: Run) -> None:
    out = words(run("bench", BENCH, "--month", "5", "--hours", "6", "--cash", "80").out)
    assert out.startswith("This week, 6 h and 80 in cash:")
    assert "What more would bring: one more hour" in out
    assert "What earns most per bench hour, best first" in out


def test_without_limits_nothing_is_said_of_more(run: Run) -> None:
    out = words(run("bench", BENCH, "--month", "5").out)
    assert out.startswith("This week, no limit on hours and no limit on cash:")
    assert "What more would bring" not in out


def test_t60_an_hour_worth_nothing_still_has_a_return_per_hour(run: Run) -> None:
    rows = document(run, "bench", BENCH, "--hour-value", "0")["bench_ranking"]["machines"]
    worked = [row for row in rows if row["steps"]]
    assert worked
    for row in worked:
        assert row["return_per_hour"] == pytest.approx(row["expected_return"] / row["bench_hours"], rel=0.01)


@pytest.mark.parametrize("command", ["bench", "demo"])
def test_the_safety_list_says_nothing_where_there_is_nothing(run: Run, command: str) -> None:
    out = run("demo").out if command == "demo" else run("bench", BENCH, "--month", "5").out
    assert "Not for sale as working mowers as they stand:" in out
    assert (
        "nothing" not in out.split("Not for sale as working mowers as they stand:")[1].split("Cautions:")[0]
    )


# ------------------------------------------------------------------------------------------------- valuer quote
def test_the_shops_own_figures_add_up(run: Run) -> None:
    # Parts of 80 and three hours at 60 come to 260 (common practice, no source).
    answer = document(run, "quote", "-", "--parts", "80", "--shop-hours", "3", "--rate", "60", stdin=LEAK)
    (quote,) = answer["repair_quotes"]
    assert (quote["bill"], quote["still_to_pay"], quote["view"]) == (260, 260, "owner")
    assert (quote["value"]["amount"], quote["value_after"]) == (150, 200)
    assert answer["usual"] == []
    assert [option["option"] for option in quote["options"]] == ["repair", "sell as it stands"]


def test_a_new_machine_stands_beside_once_its_price_is_known(run: Run) -> None:
    (quote,) = document(run, "quote", "-", "--new-price", "420", stdin=LEAK)["repair_quotes"]
    options = {option["option"]: option for option in quote["options"]}
    assert options["replace"]["pays"] == 420 - 150
    assert quote["new_price"] == 420


def test_a_fee_already_paid_is_gone_either_way(run: Run) -> None:
    args = ("quote", "-", "--parts", "80", "--shop-hours", "3", "--fee", "50")
    (open_,) = document(run, *args, stdin=LEAK)["repair_quotes"]
    (paid,) = document(run, *args, "--fee-paid", stdin=LEAK)["repair_quotes"]
    assert (open_["still_to_pay"], paid["still_to_pay"]) == (310, 260)
    assert paid["options"][0]["pays"] == 260


def test_t57_owner_and_reseller_may_be_told_different_things_and_it_says_who_is_asked(run: Run) -> None:
    # At 15 an hour of their own a reseller cures the leak; a shop's 260 for a machine then worth 200 is too dear.
    (plan,) = document(run, "fixes", "-", stdin=LEAK)["work_lists"]
    args = ("quote", "-", "--parts", "80", "--shop-hours", "3")
    (quote,) = document(run, *args, stdin=LEAK)["repair_quotes"]
    assert plan["steps"]
    assert quote["advised"] != "repair"
    out = run(*args, "--month", "5", stdin=LEAK).out
    assert out.startswith("The owner's view; `valuer fixes` answers somebody who repairs to sell.\n")


def test_quote_in_words_fits_80_columns_and_says_synthetic_once(run: Run) -> None:
    ran = run("quote", BENCH, "--month", "5")
    assert ran.code == 0
    assert max(map(len, ran.out.splitlines())) <= 80
    assert ran.out.lower().count("synthetic") == 1
    assert "Usual figures, not a shop's" in ran.out


def test_a_machine_without_anything_to_cure_gets_no_bill(run: Run) -> None:
    sound = b'{"machines": [{"id": "m1", "faults": ["paint_faded:slight"]}]}'
    out = run("quote", "-", "--month", "5", stdin=sound).out
    assert "m1: nothing on it for a shop to cure." in out
    (quote,) = document(run, "quote", "-", stdin=sound)["repair_quotes"]
    assert quote["bill"] == 0


def test_quote_shows_the_work_list_of_fixes(run: Run) -> None:
    args = "-", "--month", "5", "--hour-value", "12"
    quoted = document(run, "quote", *args, stdin=LEAK)
    assert quoted["work_lists"] == document(run, "fixes", *args, stdin=LEAK)["work_lists"]
    first = quoted["work_lists"][0]["steps"][0]
    told = " ".join(run("quote", *args, stdin=LEAK).out.split())
    assert "Repaired to sell, at 12 an hour (`valuer fixes`):" in told
    assert f"1. {first['name'][:50]}" in told
    assert all(caution.partition(":")[0] in told for caution in first["cautions"])


def test_quote_as_json_is_the_document_of_the_api(run: Run) -> None:
    machines = json.loads(Path(BENCH).read_text("utf-8"))["machines"]
    question = {"machines": machines, "terms": {"month": 5}}
    answer = TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1").post(
        "/v1/repair-quotes", json=question
    )
    assert document(run, "quote", BENCH) == answer.json()


# -------------------------------------------------------------------------------------------- what is refused
ONE_MACHINE = "expected one machine, got 10; choose one with --machine"
BAD = {
    ("fixes", BENCH, "--done", "needle_seat=failed"): f"--done: {ONE_MACHINE}",
    ("next", BENCH, "--seen", "wet_point=sump"): f"--seen: {ONE_MACHINE}",
    ("quote", BENCH, "--parts", "80"): f"--parts: {ONE_MACHINE}",
    ("quote", BENCH, "--fee-paid"): f"--fee-paid: {ONE_MACHINE}",
    ("fixes", "-", "--done", "needle_seat"): "--done: expected NAME=WORD, got 'needle_seat'",
    ("fixes", "-", "--done", "needle_seat=broke"): (
        "--done: result of needle_seat must be one of worked, failed; got 'broke'"
    ),
    ("fixes", "-", "--done", "needle_seat=failed", "--done", "needle_seat=worked"): (
        "--done: needle_seat is given twice, as failed and as worked"
    ),
    ("fixes", "-", "--done", "needle_set=failed"): (
        "--done: fix must be a name from the catalogue; got 'needle_set'; did you mean 'needle_seat'?"
    ),
    ("next", "-", "--seen", "wet_point=sump"): (
        "--seen: look must be one of wet_place, paper, look_for_tank_or_cap, look_for_line_cracked, "
        "look_for_tap, look_for_bowl_gasket, look_for_needle_or_seat, look_for_primer_leak; got 'wet_point'"
    ),
    ("buy", "-", "--want", "40", "--want-per-hour", "20"): (
        "expected --want or --want-per-hour, got both; leave one out"
    ),
    ("buy", "-", "--not-there", "deck_rust_hol"): (
        "--not-there: fault must be a name from the catalogue; got 'deck_rust_hol'; "
        "did you mean 'deck_rust_hole'?"
    ),
    ("quote", "-", "--cures", "no_start"): (
        "--cures: fault that the quote cures must be one of fuel_leak_carb; got 'no_start'"
    ),
}


@pytest.mark.parametrize("args", BAD)
def test_bad_input_gets_one_line_and_exit_2(run: Run, args: tuple[str, ...]) -> None:
    ran = run(*args, stdin=LEAK)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith(f"valuer: {BAD[args]}")
    assert ran.err.count("\n") == 1


@pytest.mark.parametrize(
    "args", [("buy", "-", "--want", "-1"), ("quote", "-", "--parts", "nan"), ("buy", "-", "--miles", "9e9")]
)
def test_figures_out_of_range_are_refused(run: Run, args: tuple[str, ...]) -> None:
    ran = run(*args, stdin=LEAK)
    assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1)


@pytest.mark.parametrize("month", ["11", "5"])
def test_what_is_not_worth_it_now_is_said_to_be_asked_again_for_spring(run: Run, month: str) -> None:
    """Work and fetching that do not pay at winter's prices may pay at those of spring."""
    for command in (["buy"], ["next"]):
        told = run(*command, "push mower, 18 in, 8 years, budget", "--month", month).out
        assert ("ask again for April" in " ".join(told.split())) == (month == "11"), command


def test_what_looking_would_bring_is_said_only_where_the_price_hangs_on_it(run: Run) -> None:
    """The fake model knows nothing of tests, as one trained on sales that say nothing of them."""
    told = " ".join(run("price", "push mower, 18 in", "--full").out.split())
    assert "faults were not looked for; the price does not hang on that." in told
    assert "buyers pay less" not in told
