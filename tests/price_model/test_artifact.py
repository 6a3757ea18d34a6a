"""A kept model is plain numbers: it comes back as it was, runs nothing, and is refused in a line where damaged."""

import io
import json
import os
import pickle
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.price_model.machines import from_market
from valuer.paths import shipped
from valuer.price_model import artifact, load_or_train
from valuer.price_model.artifact import RECORDS, SHIPPED, ArtifactRefused, keep, kept
from valuer.price_model.mower import MowerModel
from valuer.price_model.plain import NotPlain, from_bytes, to_bytes
from valuer.price_model.selling import SellingModel, fit_selling_model
from valuer.price_model.training import ASKED, SYNTHETIC_LISTINGS, invented_sales, sample_values, trained_on

DATA = "d" * 64


@pytest.fixture
def model() -> MowerModel:
    """The shipped model."""
    return kept(SHIPPED)


@pytest.fixture
def place(tmp_path: Path, model: MowerModel) -> Path:
    """Where a model was kept in order."""
    path = tmp_path / "cache" / "model.npz"
    keep(model, path, DATA)
    return path


def answers(model: MowerModel) -> np.ndarray:
    """Values and ranges of 300 machines with their faults in May, and their chances of a sale; shape (n,)."""
    machines = from_market(300, 98)
    rows = model.encode(machines, 5)
    for row, machine in zip(rows, machines, strict=True):
        for told in machine.faults:
            row[model.fault_column(told.fault)] = {"slight": 1, "serious": 2}[told.severity]
    return np.concatenate([model.value(rows), *model.interval(rows), sold(model.selling)])


def sold(model: SellingModel | None) -> np.ndarray:
    """Chances of a sale in a week at 30 asks; shape (n,)."""
    assert model
    asks = np.linspace(-0.2, 0.5, 30)
    weeks = model.weeks(asks, np.array(5.0), np.array(2.0), {"no_start": 1.0}, np.array(0.1))
    return np.concatenate(weeks.sold(asks - 0.1))


def test_the_shipped_model_is_what_training_gives_today(model: MowerModel) -> None:
    """Fails when code or data that the model rests on have changed since `valuer train` was last run; run it then.

    A model of the first of its sales is trained again, in few steps: the same code on the same computer gives the same
    numbers. With the last digits of the prices changed, as sums added up in another order change them, values moved by
    1e-7 at most; of ranges, whose trees often find two tests equally good, the widths moved by 1.5 % in the median.
    """
    about = from_bytes(SHIPPED.read_bytes(), RECORDS)[1]
    assert about["trained_on"] == trained_on(), "the same sales and listings, by their hash"
    (value, low, high), (was, was_low, was_high) = (
        np.log(told).T for told in (sample_values(invented_sales()), json.loads(about["sample"]))
    )
    assert value.shape == was.shape == (ASKED,)
    assert np.abs(value - was).max() < 0.002
    assert np.median(np.abs(np.log((high - low) / (was_high - was_low)))) < 0.05
    again = fit_selling_model(pd.read_csv(shipped(SYNTHETIC_LISTINGS), keep_default_na=False, na_values=[""]))
    assert np.allclose(sold(again), sold(model.selling), atol=0.01)


def test_what_was_kept_comes_back_to_the_last_bit(place: Path, model: MowerModel) -> None:
    again = kept(place, DATA)
    assert np.array_equal(answers(again), answers(model))
    assert to_bytes(again, RECORDS, {}) == to_bytes(model, RECORDS, {})


def test_the_first_question_is_answered_by_the_shipped_model(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is trained, nothing is written."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    told: list[str] = []
    assert load_or_train(lambda _, what: told.append(what)).basis.synthetic
    assert not told
    assert not list(tmp_path.iterdir())


def test_nothing_kept_is_no_refusal(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        kept(tmp_path / "none.npz")


class LeavesAMark:
    """What an attacker would store: unpickling it writes a file."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[Any, ...]:
        return Path.write_text, (self.mark, "unpickled")


@pytest.fixture
def payload(tmp_path: Path) -> tuple[bytes, Path]:
    """A pickle that leaves a mark, proven to leave one, and the mark."""
    mark = tmp_path / "mark"
    data = pickle.dumps(LeavesAMark(mark))
    pickle.loads(data)  # noqa: S301 - our own bytes
    assert mark.read_text() == "unpickled", "the payload is live"
    mark.unlink()
    return data, mark


def whole(path: Path) -> dict[str, np.ndarray]:
    """The arrays of a file."""
    with np.load(path, allow_pickle=False) as file:
        return {name: file[name] for name in file.files}


def rewrite(path: Path, change: Callable[[dict[str, Any]], object], **arrays: Any) -> None:
    """Change the description or whole arrays of a file, and write it again."""
    parts = whole(path)
    description = json.loads(parts["description"].tobytes())
    change(description)
    parts["description"] = np.frombuffer(json.dumps(description).encode(), np.uint8)
    np.savez_compressed(path, **(parts | arrays))


Spoil = Callable[[Path, bytes], object]


def flip(place: Path, where: float) -> None:
    """Damage one byte."""
    data = bytearray(place.read_bytes())
    data[int(where * len(data))] ^= 1
    place.write_bytes(bytes(data))


def cut(place: Path, payload: bytes) -> None:
    """Lose the second half, as on a full disk."""
    place.write_bytes(place.read_bytes()[: place.stat().st_size // 2])


def hide_a_pickle(place: Path, payload: bytes) -> None:
    """An array of things that NumPy would unpickle, in an otherwise whole file."""
    things = np.empty(1, dtype=object)
    things[0] = LeavesAMark(place.parent.parent / "mark")
    rewrite(place, lambda _: None, float64=things)


def nest(place: Path, payload: bytes) -> None:
    """Lists in lists without end."""
    text = '{"form": 1, "about": {}, "record": ' + "[" * 100_000
    buffer = io.BytesIO()
    np.savez(buffer, description=np.frombuffer(text.encode(), np.uint8))
    place.write_bytes(buffer.getvalue())


def of_another_catalogue(place: Path, payload: bytes) -> None:
    """A fault has got another name since."""
    flags = whole(place)["description"].tobytes().replace(b'"sheared_key"', b'"flywheel_key"')
    rewrite(place, lambda _: None, description=np.frombuffer(flags, np.uint8))


def with_fields(name: str, value: object) -> Spoil:
    """Give the model a field more, or another value in one."""
    return lambda place, _: rewrite(place, lambda told: told["record"]["fields"].update({name: value}))


DAMAGED = "cannot be used: it is cut or damaged"
OTHER = "cannot be used: it was written by another version"
SPOILS: dict[str, tuple[Spoil, str]] = {
    "a byte of the first array": (lambda place, _: flip(place, 0.1), DAMAGED),
    "a byte of the numbers": (lambda place, _: flip(place, 0.5), DAMAGED),
    "cut short": (cut, DAMAGED),
    "empty": (lambda place, _: place.write_bytes(b""), DAMAGED),
    "a pickle": (lambda place, payload: place.write_bytes(payload), DAMAGED),
    "a pickle in an array": (hide_a_pickle, DAMAGED),
    "nested without end": (nest, DAMAGED),
    "no description": (lambda place, _: np.savez(place, float64=np.ones(3)), DAMAGED),
    "another form": (
        lambda place, _: rewrite(place, lambda told: told.update(form=99)),
        "expected form 1, got 99: it was written by another version",
    ),
    "a field more": (with_fields("colour", "red"), f"{OTHER} .MowerModel has other fields: colour"),
    "a record nobody knows": (with_fields("basis", {"record": "Path", "fields": {"x": "/"}}), OTHER),
    "a thing nobody knows": (with_fields("seen", {"call": "os.system"}), OTHER),
    "another kind of basis": (with_fields("basis", {"record": "Basis", "fields": {"model": 1}}), OTHER),
    "numbers out of reach": (with_fields("seen", {"numbers": ["float64", [10**9], 0]}), OTHER),
    "another model": (
        lambda place, _: rewrite(place, lambda told: told.update(record=told["record"]["fields"]["basis"])),
        "expected a model of mowers in model.npz, got Basis",
    ),
    "another catalogue": (of_another_catalogue, "for another catalogue of faults: flywheel_key, sheared_key"),
}


@pytest.mark.parametrize("name", SPOILS)
def test_what_changed_is_refused_in_a_line_and_nothing_is_run(
    place: Path, payload: tuple[bytes, Path], name: str
) -> None:
    live, mark = payload
    spoil, told = SPOILS[name]
    spoil(place, live)
    with pytest.raises(ArtifactRefused, match=told) as refusal:
        kept(place, DATA)
    assert "\n" not in str(refusal.value)
    assert len(str(refusal.value)) < 400
    assert not mark.exists()


def test_other_data_are_refused(place: Path) -> None:
    with pytest.raises(ArtifactRefused, match=r"trained on other data: expected e{64}, got d{64}"):
        kept(place, "e" * 64)


def test_a_damaged_shipped_model_says_what_to_do(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cut(place, b"")
    monkeypatch.setattr(artifact, "SHIPPED", place)
    with pytest.raises(
        ArtifactRefused, match=r"cut or damaged .*; install valuer again, or run `valuer train`"
    ):
        load_or_train()
    place.unlink()
    with pytest.raises(ArtifactRefused, match="is not there; install valuer again, or run `valuer train`"):
        load_or_train()


@pytest.mark.parametrize(
    ("thing", "told"),
    [
        ({"seen": {("no_start", "serious"): [1]}}, r"MowerModel.seen.*: .* got list"),
        (
            {"selling": print},
            r"MowerModel.selling: expected plain numbers or one of MowerModel, .*, got builtin",
        ),
        (
            {"selling": np.array(["a"], dtype=object)},
            "MowerModel.selling: expected an array of bool, .*, got object",
        ),
    ],
)
def test_what_is_no_plain_number_is_not_kept_and_its_place_named(
    model: MowerModel, tmp_path: Path, thing: dict[str, Any], told: str
) -> None:
    with pytest.raises(NotPlain, match=told):
        keep(replace(model, **thing), tmp_path / "m.npz", DATA)
    assert not list(tmp_path.iterdir())


def test_a_write_that_fails_leaves_the_old_model_and_no_rubbish(
    place: Path, model: MowerModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = place.read_bytes()

    def full_disk(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(OSError, match="No space left"):
        keep(replace(model, seen={}), place, DATA)
    assert place.read_bytes() == before
    assert list(place.parent.iterdir()) == [place]


def test_every_user_of_a_shared_installation_may_read_it(place: Path) -> None:
    assert place.stat().st_mode & 0o777 == 0o644


def test_infinity_and_numbers_of_every_size_come_back() -> None:
    """Ends of an interval are infinite on a handful of sales; the rest as IEEE 754 has them."""
    numbers = (
        0.1,
        -0.0,
        float("inf"),
        5e-324,
        1.7976931348623157e308,
        2**60,
        True,
        None,
        "é",
        ("nested", ()),
    )
    again, about = from_bytes(to_bytes(numbers, (), {"what": "numbers"}), ())
    assert repr(again) == repr(numbers)
    assert about == {"what": "numbers"}
