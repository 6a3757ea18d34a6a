"""A machine file to fill in: every name, what it means, and what may stand there."""

import json
from typing import Any, get_args

from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import Gate, gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.readings import Readings
from valuer.records.book_files import machines_csv
from valuer.records.cells import LISTS, PAIRS

HOW = (
    "Leave out or leave empty what is unknown: a guess is worse than nothing. A number is in the unit of its "
    "name, or in the one written after it (55 cm). In CSV, faults, readings, checks and the like are name:value pairs "
    "joined by ; and several runs of one reading are parted by blanks (blade_stop_s:2.1 2.3 2.2)."
)


EXAMPLE = Machine.model_validate(
    {
        "id": "green-1",
        "note": "An example: write your own over it.",
        "called": "the green one by the door",
        "drive": "rear_variable",
        "deck_width_in": 21,
        "deck_material": "steel",
        "start": "rope",
        "tier": "mid",
        "age_years": 6,
        "kept": "inside",
        "faults": ["fuel_leak_carb:serious", "blade_dull:slight"],
        "readings": {"cold_pulls": 5, "blade_stop_s": [2.1, 2.3, 2.2]},
        "checks": {"recall": "passed", "shields": "passed"},
    }
)
"""The machine that stands in a template, invented."""


def template_json(*, explain: bool = False) -> str:
    """A JSON machine file with one example and every other name empty; explained, what each name means follows it."""
    empty: dict[str, Any] = dict.fromkeys(Machine.model_fields)
    empty |= {name: [] for name in sorted(LISTS)} | {name: {} for name in sorted(PAIRS)}
    machine = empty | json.loads(EXAMPLE.model_dump_json(exclude_none=True, exclude_defaults=True))
    about = explained() if explain else {"how": HOW}
    return json.dumps({"machines": [machine], "about": about}, indent=2, ensure_ascii=False) + "\n"


def template_csv(*, explain: bool = False) -> str:
    """A CSV machine file with one example; below it how to write, or explained, what each name means, as remarks."""
    remarks = _lines(explained()) if explain else [("how", HOW)]
    return machines_csv([EXAMPLE]) + "".join(f"# {name}: {meaning}\n" for name, meaning in remarks)


def explained() -> dict[str, Any]:
    """What each attribute, fault, reading and check means, by name."""
    return {
        "how": HOW,
        "attributes": attributes(),
        "faults": {
            fault.id: f"{fault.name}. slight: {fault.slight or 'never'}; serious: {fault.serious}"
            for fault in fault_catalogue().values()
        },
        "readings": readings(),
        "checks": {gate.id: _check(gate) for gate in gate_catalogue().values()},
    }


def attributes() -> dict[str, str]:
    """What each attribute of a machine means and may be, by name."""
    return {name: _attribute(name) for name in Machine.model_fields}


def readings() -> dict[str, str]:
    """What each reading means, by name; the unit is in the name."""
    return {name: field.description or "" for name, field in Readings.model_fields.items()}


def _attribute(name: str) -> str:
    field = Machine.model_fields[name]
    words = [word for part in get_args(field.annotation) for word in get_args(part) if isinstance(word, str)]
    allowed = " | ".join(words) or _range(field.metadata)
    return f"{field.description} ({allowed})" if allowed else str(field.description)


def _range(limits: list[Any]) -> str:
    ends = [getattr(limit, name) for name in ("ge", "gt", "le") for limit in limits if hasattr(limit, name)]
    return " to ".join(f"{end:g}" for end in ends)


def _check(gate: Gate) -> str:
    by = "passed or failed" if gate.by_check else f"passed by the readings {' and '.join(gate.readings)} only"
    return f"{gate.passes} ({by}). How: {gate.test}"


def _lines(about: dict[str, Any]) -> list[tuple[str, str]]:
    lines = []
    for name, meaning in about.items():
        if isinstance(meaning, dict):
            lines += [(f"{name}, {each}", str(what)) for each, what in meaning.items()]
        else:
            lines.append((name, str(meaning)))
    return lines
