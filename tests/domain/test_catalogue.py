"""The packaged tables: complete, consistent, and every figure with its mark."""

import tomllib
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from tests.domain.parsed import copy
from valuer.domain import catalogue
from valuer.domain.catalogue import CatalogueError, by_id, load_catalogue, read_catalogue
from valuer.domain.faults import Fault, fault_catalogue, one_loss
from valuer.domain.fixes import fix_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import parse_finding
from valuer.domain.quantities import is_reading
from valuer.domain.safety import STRIKE_FAULTS
from valuer.domain.thresholds import Thresholds, thresholds

FAULTS = fault_catalogue()
TABLES = sorted(
    entry.name
    for entry in files(catalogue).iterdir()
    if entry.name.endswith(".toml")
    and entry.name != "words.toml"  # words, no figures: its head says whose they are
)


def unmarked(table: Any, *, inherited: bool = False, path: str = "") -> Iterator[str]:
    """Yield the place of every figure with no mark in its table or in one around it."""
    if isinstance(table, dict):
        marked = inherited or bool(table.get("mark"))
        for key, value in table.items():
            yield from unmarked(value, inherited=marked, path=f"{path}.{key}")
    elif isinstance(table, list):
        for value in table:
            yield from unmarked(value, inherited=inherited, path=path)
    elif isinstance(table, int | float) and not isinstance(table, bool) and not inherited:
        yield path


@pytest.mark.parametrize("name", TABLES)
def test_every_figure_has_its_mark(name: str) -> None:
    table = tomllib.loads(files(catalogue).joinpath(name).read_text("utf-8"))
    assert list(unmarked(table)) == []


@pytest.mark.parametrize("name", TABLES)
def test_a_mark_names_a_source_or_says_that_there_is_none(name: str) -> None:
    known = ("common practice", "from memory", "published", "second hand", "by definition", "derived")
    table = tomllib.loads(files(catalogue).joinpath(name).read_text("utf-8"))
    marks = [value for key, value in _leaves(table) if key == "mark"]
    assert marks
    assert [mark for mark in marks if not any(word in mark for word in known)] == []


@pytest.mark.parametrize("name", [*TABLES, "words.toml"])
def test_the_parsed_copy_is_that_of_the_table(name: str) -> None:
    """`python -m tests.domain.parsed` writes the copies anew; without one a table takes a while to read."""
    text = files(catalogue).joinpath(name).read_text("utf-8")
    assert files(catalogue).joinpath(catalogue.copy_of(name)).read_text("utf-8") == copy(text)


@pytest.fixture
def table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small table of the catalogue, with its copy beside it."""
    monkeypatch.setattr(catalogue, "FOLDER", tmp_path)
    (tmp_path / "parsed").mkdir()
    (tmp_path / "x.toml").write_text("a = 1\n", "utf-8")
    (tmp_path / catalogue.copy_of("x.toml")).write_text(copy("a = 1\n").replace('"a":1', '"a":3'), "utf-8")
    return tmp_path / "x.toml"


def test_while_it_is_of_the_very_text_the_copy_is_what_is_read(table: Path) -> None:
    assert load_catalogue(table.name, dict[str, int]) == {"a": 3}


@pytest.mark.parametrize("left", ["all", "some", "none"])
def test_a_copy_of_another_text_is_not_believed(table: Path, left: str) -> None:
    """Nor one that is cut, nor one that is missing."""
    stands = table.parent / catalogue.copy_of(table.name)
    if left == "all":
        table.write_text("a = 2\n", "utf-8")
    elif left == "some":
        stands.write_text(stands.read_text("utf-8")[:-1], "utf-8")
    else:
        stands.unlink()
    assert load_catalogue(table.name, dict[str, int]) == {"a": 2 if left == "all" else 1}


def _leaves(table: Any) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _leaves(value)
        elif isinstance(value, list):
            yield from (leaf for item in value if isinstance(item, dict) for leaf in _leaves(item))
        else:
            yield key, value


def test_forty_core_faults_and_the_two_that_are_asked_for_first() -> None:
    core = [fault for fault in FAULTS.values() if fault.core]
    assert len(core) == 40
    assert FAULTS["starter_noise"].slight
    assert "Weep" in (FAULTS["fuel_leak_carb"].slight or "")


@pytest.mark.parametrize("fault", FAULTS.values(), ids=lambda fault: fault.id)
def test_a_fault_names_only_faults_and_not_itself(fault: Fault) -> None:
    others = {*fault.causes, *fault.comes_with, *fault.hides, *fault.mistaken_for}
    assert others <= set(FAULTS) - {fault.id}


@pytest.mark.parametrize("fault", FAULTS.values(), ids=lambda fault: fault.id)
def test_shares_lie_between_0_and_1_and_criteria_differ(fault: Fault) -> None:
    for low, high in (fault.intake, fault.listed):
        assert 0 <= low <= high <= 1
    assert fault.slight != fault.serious


def test_no_fault_causes_itself_in_a_round() -> None:
    def reach(fault: str, seen: frozenset[str]) -> bool:
        return any(cause in seen or reach(cause, seen | {cause}) for cause in FAULTS[fault].causes)

    assert [fault for fault in FAULTS if reach(fault, frozenset({fault}))] == []


@pytest.mark.parametrize(
    ("cause", "symptom"),
    [
        ("weak_spark", "no_start"),
        ("sheared_key", "no_start"),
        ("stale_fuel", "no_start"),
        ("bent_crank", "vibration"),
        ("blade_damaged", "vibration"),
        ("blade_mount_loose", "vibration"),
        ("oil_leak_sump", "oil_leak_unknown"),
    ],
)
def test_cause_and_symptom_are_one_loss(cause: str, symptom: str) -> None:
    """Common practice, no source."""
    assert one_loss(cause, symptom)
    assert one_loss(symptom, cause)
    assert not one_loss("bag_missing", symptom)


def test_no_price_stands_in_the_fault_table() -> None:
    """What a fault takes off is learnt from sales, not read from the table that names it."""
    assert not any(
        word in name for name in Fault.model_fields for word in ("effect", "price", "loss", "value")
    )


@pytest.mark.parametrize(
    ("fault", "severity", "must"),
    [
        ("fuel_leak_carb", "slight", True),
        ("bent_crank", "slight", True),
        ("blade_brake_slow", "slight", False),
        ("blade_brake_slow", "serious", True),
        ("no_start", "serious", False),
        ("recall_open", "serious", True),
    ],
)
def test_from_which_severity_a_fault_must_be_cured(fault: str, severity: Any, must: Any) -> None:
    assert FAULTS[fault].must_be_cured(severity) == must


def test_gates_and_thresholds_name_known_faults_and_readings() -> None:
    for gate in gate_catalogue().values():
        assert set(gate.faults) <= set(FAULTS)
        assert parse_finding(gate.failed_means).fault in gate.faults
        assert all(is_reading(name) for name in gate.readings)
    for rule in thresholds().words.values():
        assert all(not text or parse_finding(text) for word, text in rule.items() if word != "mark")
    assert set(FAULTS) >= STRIKE_FAULTS


def test_every_fault_of_a_gate_has_a_fix() -> None:
    cured = {fault for fix in fix_catalogue().values() for fault in fix.cures}
    assert {fault for gate in gate_catalogue().values() for fault in gate.faults} <= cured


def _fault(**changes: str) -> str:
    lines = {
        "name": '"N"',
        "group": '"fuel"',
        "core": "true",
        "serious": '"S"',
        "test": '"T"',
        "must_cure": '"never"',
        "why": '"W"',
        "intake": "[0.1, 0.2]",
        "listed": "[0.1, 0.2]",
        "mark": '"from memory"',
        **changes,
    }
    return "[leak]\n" + "\n".join(f"{key} = {value}" for key, value in lines.items() if value)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (_fault(intake="[0.2, 0.1]"), "x.toml: leak.intake: expected low <= high, got 0.2 and 0.1"),
        (_fault(intake="[0.2]"), "x.toml: leak.intake: expected two numbers [low, high], got 1"),
        (_fault(mark=""), "x.toml: leak.mark: mark is missing; it must be given"),
        (_fault(core='"yes"'), "x.toml: leak.core: core must be true or false, got 'yes'"),
        (_fault(prize="1"), "x.toml: leak.prize: unknown name 'prize'"),
        ("[leak", "x.toml: not valid TOML:"),
        ("leak = 3", "x.toml: leak: this must be an object of names and values, got 3"),
    ],
)
def test_a_wrong_table_names_file_and_key(text: str, line: str) -> None:
    with pytest.raises(CatalogueError) as caught:
        read_catalogue(text, "x.toml", by_id(Fault))
    assert str(caught.value).startswith(line)


def test_all_faults_of_a_table_are_named_at_once() -> None:
    with pytest.raises(CatalogueError) as caught:
        read_catalogue(_fault(mark="", core="1"), "x.toml", by_id(Fault))
    assert len(str(caught.value).splitlines()) == 2


def test_limits_of_a_scale_only_get_worse() -> None:
    text = files(catalogue).joinpath("readings.toml").read_text("utf-8")
    wrong = text.replace("none_to = 2\nslight_from = 3", "none_to = 4\nslight_from = 3", 1)
    with pytest.raises(CatalogueError, match=r"scales\.cold_pulls: expected limits that only get worse"):
        read_catalogue(wrong, "readings.toml", Thresholds)


def test_a_packaged_table_is_found_by_name() -> None:
    assert len(load_catalogue("faults.toml", dict[str, Any])) == len(FAULTS)
