"""What a machine file may say, and the one line that answers what it may not."""

# ruff: noqa: N802 - a test that answers a fact of the trade carries its number

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.domain.bench import machine
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Finding, Machine, parse_finding


def errors(data: Any) -> dict[str, str]:
    """Return the error lines by place, as a caller would show them."""
    with pytest.raises(ValidationError) as caught:
        Machine.model_validate(data)
    lines = caught.value.errors(include_url=False)
    return {".".join(str(part) for part in line["loc"]): line["msg"] for line in lines}


def test_a_json_file_reads_back_as_the_same_machine() -> None:
    original = machine("no_start:serious", drive="push", blade_stop_s=[2.1, 2.3], roll_pull_n=20)
    assert Machine.model_validate_json(original.model_dump_json()) == original
    assert Machine.model_validate(json.loads(original.model_dump_json(exclude_none=True))) == original


def test_everything_but_the_id_may_be_unknown() -> None:
    assert Machine(id="m1").faults == ()
    assert errors({}) == {"id": "id is missing; it must be given"}


@pytest.mark.parametrize(
    ("wrong", "place", "line"),
    [
        ({"faults": ["starter_nois:slight"]}, "faults.0", "did you mean 'starter_noise'?"),
        (
            {"faults": ["no_start:sever"]},
            "faults.0",
            "severity of no_start must be one of slight, serious; got 'sever'",
        ),
        ({"faults": ["no_start"]}, "faults.0", "a fault must be written fault:severity, got 'no_start'"),
        ({"faults": ["no_start:slight", "no_start:serious"]}, "faults", "got no_start twice"),
        (
            {"faults": ["recall_open:slight"]},
            "faults.0",
            "recall_open has no slight form; write recall_open:serious",
        ),
        ({"drive": "front_varable"}, "drive", "did you mean 'front_variable'?"),
        ({"drve": "push"}, "drve", "unknown name 'drve'; did you mean 'drive'?"),
        ({"deck_width_in": 4}, "deck_width_in", "deck_width_in must be 18 or more, got 4"),
        ({"age_years": -1}, "age_years", "age_years must be 0 or more, got -1"),
        ({"age_years": 400}, "age_years", "age_years must be 40 or less, got 400"),
        ({"age_years": "7"}, "age_years", "age_years must be a number, got '7'"),
        ({"age_years": True}, "age_years", "age_years must be a number, got True"),
        ({"age_years": float("nan")}, "age_years", "age_years must be a finite number, got nan"),
        ({"new_price": float("inf")}, "new_price", "new_price must be a finite number, got inf"),
        ({"new_price": 0}, "new_price", "new_price must be above 0, got 0"),
        ({"blade_clutch": 1}, "blade_clutch", "blade_clutch must be true or false, got 1"),
        (
            {"id": "a b"},
            "id",
            "id must be 1 to 64 letters, digits, dot, _ or -, no dots alone, got 'a b'",
        ),
        ({"faults": "no_start:slight"}, "faults", "faults must be a list, got 'no_start:slight'"),
        (
            {"checks": {"bail": "pass"}},
            "checks.bail",
            "must be one of passed, failed; got 'pass'; did you mean 'passed'?",
        ),
        ({"checks": {"bails": "passed"}}, "checks", "did you mean 'bail'?"),
        ({"readings": {"compresion_psi": 9}}, "readings.compresion_psi", "did you mean 'compression_psi'?"),
    ],
)
def test_bad_input_gets_one_line_with_place_and_remedy(wrong: dict[str, Any], place: str, line: str) -> None:
    found = errors({"id": "m1", **wrong})
    assert list(found) == [place]
    assert line in found[place]


def test_all_bad_fields_are_named_at_once() -> None:
    assert set(errors({"id": "m1", "drive": "psh", "age_years": -1, "tier": "mid"})) == {"drive", "age_years"}


@pytest.mark.parametrize(
    ("attribute", "fault"),
    [
        ({"drive": "push"}, "drive_slip:slight"),
        ({"start": "rope"}, "estart_dead:serious"),
        ({"blade_clutch": False}, "bbc_worn:slight"),
    ],
)
def test_a_fault_of_equipment_that_is_not_there_is_refused(attribute: dict[str, Any], fault: str) -> None:
    """A machine without a drive cannot have a slipping drive: one of the two is a slip."""
    found = errors({"id": "m1", **attribute, "faults": [fault]})
    assert "cannot be on a machine with" in found[""]
    assert Machine.model_validate({"id": "m1", "faults": [fault]}).faults


def test_T18_order_of_faults_does_not_matter() -> None:
    assert machine("no_start:serious", "dirty:slight") == machine("dirty:slight", "no_start:serious")


@given(st.sampled_from(sorted(fault_catalogue())), st.sampled_from(["slight", "serious"]))
def test_a_finding_is_written_as_it_is_read(fault: str, severity: str) -> None:
    text = f"{fault}:{severity}"
    if severity in fault_catalogue()[fault].severities:
        assert str(parse_finding(text)) == text


def test_a_machine_cannot_be_changed() -> None:
    with pytest.raises(ValidationError):
        machine().age_years = 3  # type: ignore[misc]


def test_the_schema_tells_each_field_and_the_form_of_a_fault() -> None:
    schema = Machine.model_json_schema()
    assert all(field.description for field in Machine.model_fields.values())
    assert schema["properties"]["faults"]["items"]["pattern"] == "^[a-z_]+:(slight|serious)$"
    assert schema["properties"]["drive"]["anyOf"][0]["enum"][0] == "push"
    assert schema["additionalProperties"] is False


def test_a_finding_is_certain_unless_said_otherwise() -> None:
    assert Finding("no_start", "slight").chance == 1.0
