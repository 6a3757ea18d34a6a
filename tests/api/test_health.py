"""`/health` tells what is wrong and what to do, and says by its status whether questions can be answered."""

import shutil
from collections import namedtuple
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

import valuer.upkeep
from api.app import create_app
from tests.fake_model import FakeModel
from tests.records.bench import NOW
from valuer.advice.ports import FloatArray
from valuer.adviser import Adviser
from valuer.records.store.store import Store, open_store


class Broken(FakeModel):
    """A model that does not answer."""

    def value(self, rows: FloatArray) -> FloatArray:
        raise ValueError


class Nonsense(FakeModel):
    """A model whose answers are no numbers."""

    def value(self, rows: FloatArray) -> FloatArray:
        return super().value(rows) * float("nan")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    opened = open_store(NOW, str(tmp_path / "records.sqlite"))
    yield opened
    opened.close()


def asked(model: FakeModel, store: Store | None = None) -> tuple[int, dict[str, Any]]:
    answer = TestClient(create_app(Adviser(model), store), "http://127.0.0.1").get("/health")
    return answer.status_code, answer.json()


def states(document: dict[str, Any]) -> dict[str, str]:
    return {part["part"]: part["state"] for part in document["parts"]}


def room(monkeypatch: pytest.MonkeyPatch, megabytes: int) -> None:
    usage = namedtuple("usage", "total used free")  # noqa: PYI024 - as shutil gives it
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage(0, 0, megabytes * 1_000_000))


def test_all_well(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    room(monkeypatch, 5_000)
    status, document = asked(FakeModel(), store)
    assert (status, document["status"]) == (200, "ok")
    assert states(document) == dict.fromkeys(("model", "records", "disk", "card"), "well")
    assert document["basis"]["synthetic"] is True


@pytest.mark.parametrize("model", [Broken(), Nonsense()])
def test_without_a_model_that_answers_it_says_so_with_503(model: FakeModel) -> None:
    status, document = asked(model)
    assert (status, document["status"], document["basis"]) == (503, "stalled", None)
    (part,) = (part for part in document["parts"] if part["state"] == "wrong")
    assert part["part"] == "model"
    assert "valuer train" in part["do"]


def test_records_that_cannot_be_read_are_named_while_questions_are_answered(
    store: Store, tmp_path: Path
) -> None:
    store.close()
    (tmp_path / "records.sqlite").write_bytes(b"no database, but as long as one would be" * 500)
    status, document = asked(FakeModel(), store)
    assert (status, document["status"], states(document)["records"]) == (200, "rough", "wrong")
    says = next(part["says"] for part in document["parts"] if part["part"] == "records")
    assert says.startswith("records.sqlite is damaged")
    assert str(tmp_path) not in str(document)


@pytest.mark.parametrize(("megabytes", "state"), [(10, "wrong"), (100, "look"), (1_000, "well")])
def test_a_disk_that_fills_up(monkeypatch: pytest.MonkeyPatch, megabytes: int, state: str) -> None:
    room(monkeypatch, megabytes)
    _, document = asked(FakeModel())
    assert states(document)["disk"] == state
    assert document["status"] == ("ok" if state == "well" else "rough")


def test_a_card_that_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(_relative: str) -> Path:
        raise FileNotFoundError

    monkeypatch.setattr(valuer.upkeep, "shipped", gone)
    _, document = asked(FakeModel())
    assert states(document)["card"] == "wrong"


def test_the_disk_looked_at_is_the_one_the_records_are_written_to(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = namedtuple("usage", "total used free")  # noqa: PYI024 - as shutil gives it
    monkeypatch.setattr(
        shutil, "disk_usage", lambda path: usage(0, 0, 10_000_000 if path == tmp_path else 10**12)
    )
    assert states(asked(FakeModel(), store)[1])["disk"] == "wrong"
    assert states(asked(FakeModel())[1])["disk"] == "well"


def test_records_whose_file_is_gone_are_named(store: Store, tmp_path: Path) -> None:
    (tmp_path / "records.sqlite").rename(tmp_path / "elsewhere.sqlite")
    status, document = asked(FakeModel(), store)
    assert (status, document["status"]) == (200, "rough")
    (part,) = (part for part in document["parts"] if part["state"] == "wrong")
    assert part["says"].startswith("records.sqlite is gone since it was opened")
