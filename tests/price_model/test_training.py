"""Training happens by itself once, is kept, and happens again when the kept model must not be used."""

import hashlib
import json
from pathlib import Path
from typing import Any

import joblib
import pytest

from tests.price_model.machines import machine
from valuer import paths
from valuer.market.files import csv_text
from valuer.market.sales import draw_sales
from valuer.price_model import load_or_train, train, training
from valuer.price_model.design import TableError
from valuer.price_model.mower import MowerModel

SALES = 300


class Told:
    """What a caller of training is told, in order."""

    def __init__(self) -> None:
        self.steps: list[tuple[float, str]] = []

    def __call__(self, done: float, what: str) -> None:
        self.steps.append((done, what))

    @property
    def words(self) -> list[str]:
        """The texts alone."""
        return [what for _, what in self.steps]


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small file of sales in place of the shipped one, and a cache of its own; returns the cache folder."""
    path = tmp_path / "sales.csv"
    path.write_text(csv_text(draw_sales(SALES, 3)[1]), "utf-8")
    whole = paths.shipped
    monkeypatch.setattr(training, "shipped", lambda name: path if "sales" in name else whole(name))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "cache" / "valuer"


def asked() -> tuple[Told, MowerModel]:
    """Ask for the model; what was told, and the model."""
    told = Told()
    return told, load_or_train(told)


def value(model: MowerModel) -> float:
    """The reference machine's value."""
    return float(model.value(model.encode([machine()], 4))[0])


def test_trained_once_then_kept_then_trained_again_where_the_file_was_touched(small: Path) -> None:
    told, first = asked()
    shares = [done for done, _ in told.steps]
    assert shares == sorted(shares), "a progress bar never runs back"
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    assert first.basis.synthetic
    assert first.basis.own_sales == 0

    told, again = asked()
    assert not told.steps, "taken from the cache without a word"
    assert value(again) == value(first)

    (kept,) = small.glob("*.joblib")
    data = bytearray(kept.read_bytes())
    data[len(data) // 2] ^= 1
    kept.write_bytes(bytes(data))
    told, anew = asked()
    assert told.words[0].startswith("training again: the kept model is not the one that was written")
    assert value(anew) == pytest.approx(value(first))
    assert not asked()[0].steps, "and kept in order"


class LeavesAMark:
    """What an attacker would store: unpickling it makes a folder."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[Any, ...]:
        return Path.mkdir, (self.mark,)


def test_a_planted_model_is_named_and_trained_again_and_never_unpickled(small: Path, tmp_path: Path) -> None:
    """Both files are the attacker's, and the manifest is right about everything but the signature."""
    asked()
    (model,), (manifest,) = small.glob("*.joblib"), small.glob("*.json")
    mark = tmp_path / "mark"
    joblib.dump(LeavesAMark(mark), model)
    right = {"sha256": hashlib.sha256(model.read_bytes()).hexdigest(), "bytes": model.stat().st_size}
    manifest.write_text(json.dumps(json.loads(manifest.read_text("utf-8")) | right), "utf-8")
    told, anew = asked()
    assert told.words[0].startswith("training again: the manifest of the kept model was not signed by this")
    assert value(anew) > 0
    assert not mark.exists()
    assert not asked()[0].steps, "and kept in order"


def test_own_sales_are_counted_and_not_called_synthetic(small: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(csv_text(draw_sales(200, 4)[1]), "utf-8")
    model = train(mine)
    assert not model.basis.synthetic
    assert model.basis.own_sales == 200
    assert list(small.glob("*.joblib"))


def test_a_model_counts_the_sales_that_show_a_fault(small: Path) -> None:
    table = draw_sales(SALES, 3)[1]
    model = asked()[1]
    for text in ("dirty:slight", "no_start:serious", "deck_crack:serious"):
        fault, severity = text.split(":")
        assert (
            model.records(fault, severity)
            == table["faults"].str.split(";").map(lambda t, x=text: x in t).sum()
        )


@pytest.mark.parametrize("what", ["garbage", "nothing"])
def test_a_bad_file_of_own_sales_leaves_nothing_behind(small: Path, tmp_path: Path, what: str) -> None:
    mine = tmp_path / "mine.csv"
    if what == "garbage":
        mine.write_text("a,b\n1,2\n", "utf-8")
    with pytest.raises(TableError, match=r"mine\.csv"):
        train(mine)
    assert not list(small.glob("*")) if small.exists() else True
