"""The first step of a machine's list by every door: fixes, next and bench of the command line, and the API.

The page shows what the API's work lists say; that it shows it is a browser test's (tests/page).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from click.testing import CliRunner
from fastapi.testclient import TestClient

from api.app import create_app
from tests.benchmark.machines import MONTH
from valuer.advice.ports import ValueModel
from valuer.adviser import Adviser
from valuer.cli import cli
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

Steps = Mapping[str, str | None]
"""By machine: the first step in plain words, and the figures of its list beside it."""


class Doors:
    """Asks about machines by every door, in this process."""

    def __init__(self, model: ValueModel, terms: ShopTerms) -> None:
        """Open the doors on one model."""
        self.terms = terms
        self.adviser = Adviser(model)

    @cached_property
    def client(self) -> TestClient:
        """The API without a socket."""
        return TestClient(create_app(self.adviser), "http://127.0.0.1")

    def first_steps(self, machines: Sequence[Machine]) -> dict[str, Steps]:
        """Return, by door, the first step of every machine with its hours and what the list brings."""
        asked = {
            "machines": [machine.model_dump(mode="json", exclude_defaults=True) for machine in machines],
            "terms": {"hour_value": self.terms.hour_value, "month": self.terms.month},
        }
        lists = self._posted("/v1/work-lists", asked)["work_lists"]
        ranking = self._posted("/v1/bench-plans", asked)["bench_ranking"]["machines"]
        with TemporaryDirectory() as where:
            file = Path(where, "bench.json")
            file.write_text(json.dumps(asked["machines"]), "utf-8")
            commands = {name: _run(name, file, self.terms) for name in ("fixes", "next", "bench")}
        return {
            "api": _of_lists(lists),
            "api, bench": _of_bench(ranking),
            "fixes": _of_lists(commands["fixes"]["work_lists"]),
            "next": _of_lists(commands["next"]["work_lists"]),
            "bench": _of_bench(commands["bench"]["bench_ranking"]["machines"]),
        }

    def _posted(self, route: str, asked: Mapping[str, Any]) -> Any:
        answer = self.client.post(route, json=asked)
        assert answer.status_code == 200, answer.text
        return answer.json()


def _run(command: str, file: Path, terms: ShopTerms) -> Any:
    asked = [command, str(file), "--json", "--hour-value", f"{terms.hour_value:g}", "--month", str(MONTH)]
    result = CliRunner().invoke(cli, asked)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def _of_lists(rows: Sequence[Mapping[str, Any]]) -> Steps:
    return {
        row["id"]: _words(row["steps"][0]["name"] if row["steps"] else None, row["bench_hours"], row)
        for row in rows
    }


def _of_bench(rows: Sequence[Mapping[str, Any]]) -> Steps:
    return {row["id"]: _words(row["first_step"], row["bench_hours"], row) for row in rows}


def _words(step: str | None, hours: float, row: Mapping[str, Any]) -> str:
    return f"{step}; {hours:g} h, brings {row['expected_return']:g}, parts {row['cash']:g}"


def differing(found: Mapping[str, Steps]) -> list[str]:
    """Return where doors say different things about one machine."""
    doors = list(found)
    return [
        f"{name}: {doors[0]} says {found[doors[0]][name]!r}, {door} {found[door].get(name)!r}"
        for name in found[doors[0]]
        for door in doors[1:]
        if found[door].get(name) != found[doors[0]][name]
    ]
