"""A kept model is loaded only when nothing about it has changed, and never unpickled to find out."""

import hashlib
import json
import os
import pickle
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import joblib
import pytest

from valuer.price_model import artifact
from valuer.price_model.artifact import ArtifactRefused, Place, keep, kept, place_of

DATA = "d" * 64
MODEL = {"weights": [1.0, 2.0, 3.0], "name": "small"}


class LeavesAMark:
    """What an attacker would store: unpickling it writes a file."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[Any, ...]:
        return Path.write_text, (self.mark, "unpickled")


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """The place of a model that was kept in order."""
    where = place_of(tmp_path / "cache", DATA)
    keep(MODEL, where, DATA)
    return where


@pytest.fixture
def payload(tmp_path: Path) -> tuple[bytes, Path]:
    """A pickle that leaves a mark, proven to leave one, and the mark."""
    mark = tmp_path / "mark"
    path = tmp_path / "payload.joblib"
    joblib.dump(LeavesAMark(mark), path)
    joblib.load(path)
    assert mark.read_text() == "unpickled", "the payload is live"
    mark.unlink()
    return path.read_bytes(), mark


def manifest_of(place: Place) -> dict[str, Any]:
    """The manifest as it was written."""
    return dict(json.loads(place.manifest.read_text("utf-8")))


def rewrite(place: Place, **changes: object) -> None:
    """Change entries of the manifest."""
    place.manifest.write_text(json.dumps(manifest_of(place) | changes), "utf-8")


def test_what_was_kept_comes_back(place: Place) -> None:
    assert kept(place, DATA) == MODEL


def test_nothing_kept_is_no_refusal(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        kept(place_of(tmp_path, DATA), DATA)


def test_the_manifest_holds_what_a_pickle_depends_on(place: Place) -> None:
    """Issue 2: keyed by data, code and library versions, with the SHA-256 of the file."""
    manifest = manifest_of(place)
    assert manifest["sha256"] == hashlib.sha256(place.model.read_bytes()).hexdigest()
    assert manifest["data_sha256"] == DATA
    assert {"python", "scikit-learn", "numpy", "scipy", "pandas", "joblib"} <= set(manifest["versions"])


def test_other_data_have_another_place(tmp_path: Path) -> None:
    assert place_of(tmp_path, DATA) != place_of(tmp_path, "e" * 64)


def test_other_code_or_other_libraries_have_another_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = place_of(tmp_path, DATA)
    with monkeypatch.context() as patch:
        patch.setattr(artifact, "code_sha256", lambda: "0" * 64)
        assert place_of(tmp_path, DATA) != before
    with monkeypatch.context() as patch:
        patch.setattr(artifact, "versions", lambda: {"numpy": "1.0"})
        assert place_of(tmp_path, DATA) != before


Spoil = Callable[[Place, bytes], None]


def flip_a_byte(place: Place, payload: bytes) -> None:
    """Damage the last byte."""
    data = bytearray(place.model.read_bytes())
    data[-1] ^= 1
    place.model.write_bytes(bytes(data))


def cut_short(place: Place, payload: bytes) -> None:
    """Lose the second half."""
    data = place.model.read_bytes()
    place.model.write_bytes(data[: len(data) // 2])


def swap(place: Place, payload: bytes) -> None:
    """Put the payload in the model's place."""
    place.model.write_bytes(payload)


def link(place: Place, payload: bytes) -> None:
    """Put a link to a file with the very same bytes in the model's place."""
    elsewhere = place.model.with_suffix(".elsewhere")
    place.model.rename(elsewhere)
    place.model.symlink_to(elsewhere)


def link_the_manifest(place: Place, payload: bytes) -> None:
    """The same with the manifest."""
    elsewhere = place.manifest.with_suffix(".elsewhere")
    place.manifest.rename(elsewhere)
    place.manifest.symlink_to(elsewhere)


def pass_off_other_versions(place: Place, payload: bytes) -> None:
    """A manifest that is right about the payload but made with an older library."""
    place.model.write_bytes(payload)
    versions = manifest_of(place)["versions"] | {"scikit-learn": "1.0"}
    rewrite(place, sha256=hashlib.sha256(payload).hexdigest(), versions=versions)


def pass_off_other_code(place: Place, payload: bytes) -> None:
    """The same with other code."""
    place.model.write_bytes(payload)
    rewrite(place, sha256=hashlib.sha256(payload).hexdigest(), code_sha256="0" * 64)


def pass_off_other_data(place: Place, payload: bytes) -> None:
    """The same with other data."""
    place.model.write_bytes(payload)
    rewrite(place, sha256=hashlib.sha256(payload).hexdigest(), data_sha256="0" * 64)


def cut_the_manifest(place: Place, payload: bytes) -> None:
    """A manifest cut by a full disk."""
    place.model.write_bytes(payload)
    text = place.manifest.read_text("utf-8")
    place.manifest.write_text(text[: len(text) // 2], "utf-8")


def empty_the_manifest(place: Place, payload: bytes) -> None:
    """An object without entries."""
    place.model.write_bytes(payload)
    place.manifest.write_text("{}", "utf-8")


def make_the_manifest_a_list(place: Place, payload: bytes) -> None:
    """Valid JSON of another shape."""
    place.model.write_bytes(payload)
    place.manifest.write_text("[1, 2]", "utf-8")


def make_the_manifest_noise(place: Place, payload: bytes) -> None:
    """Bytes that are no text."""
    place.model.write_bytes(payload)
    place.manifest.write_bytes(b"\xff\xfe\x00{")


def lose_the_manifest(place: Place, payload: bytes) -> None:
    """A model whose manifest was never written: the process was killed between the two."""
    place.model.write_bytes(payload)
    place.manifest.unlink()


def lose_the_model(place: Place, payload: bytes) -> None:
    """A manifest without its model."""
    place.model.unlink()


SPOILS: dict[Spoil, str] = {
    flip_a_byte: r"not the one that was written: expected SHA-256 [0-9a-f]{64}, got [0-9a-f]{64}",
    cut_short: "not the one that was written",
    swap: "not the one that was written",
    link: "cannot be read",
    link_the_manifest: "cannot be read",
    pass_off_other_versions: "made with another versions: expected .*, got .*'scikit-learn': '1.0'",
    pass_off_other_code: "made with another code_sha256: expected [0-9a-f]{64}, got 0{64}",
    pass_off_other_data: "made with another data_sha256: expected d{64}, got 0{64}",
    cut_the_manifest: "manifest of the kept model cannot be read",
    empty_the_manifest: "made with another data_sha256",
    make_the_manifest_a_list: "must be an object, got list",
    make_the_manifest_noise: "manifest of the kept model cannot be read",
    lose_the_manifest: "cannot be read",
    lose_the_model: "cannot be read",
}


@pytest.mark.parametrize("spoil", SPOILS, ids=lambda spoil: spoil.__name__)
def test_what_changed_is_refused_without_unpickling(
    place: Place, payload: tuple[bytes, Path], spoil: Spoil, monkeypatch: pytest.MonkeyPatch
) -> None:
    live, mark = payload
    spoil(place, live)
    loads: list[object] = []
    monkeypatch.setattr("joblib.load", loads.append)
    with pytest.raises(ArtifactRefused, match=SPOILS[spoil]) as refusal:
        kept(place, DATA)
    assert "\n" not in str(refusal.value), "one line"
    assert not loads, "joblib was not asked"
    assert not mark.exists(), "nothing was unpickled"


def test_a_manifest_is_no_signature(place: Place, payload: tuple[bytes, Path]) -> None:
    """What the module's docstring concedes: who can write both files of the user's cache can run code.

    The claim stands here so that nobody takes the hash for more than it is.
    """
    live, mark = payload
    place.model.write_bytes(live)
    rewrite(place, sha256=hashlib.sha256(live).hexdigest())
    kept(place, DATA)
    assert mark.exists()


def test_a_write_that_fails_leaves_the_old_model_and_no_rubbish(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = place.model.read_bytes()

    def full_disk(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(OSError, match="No space left"):
        keep({"weights": [9.0]}, place, DATA)
    monkeypatch.undo()
    assert place.model.read_bytes() == before
    assert sorted(place.model.parent.iterdir()) == sorted([place.model, place.manifest])
    assert kept(place, DATA) == MODEL


def test_a_write_killed_between_model_and_manifest_is_refused(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new model beside the old manifest: the hash tells."""
    replace = os.replace

    def only_the_first(source: str, target: Path) -> None:
        if target == place.manifest:
            raise KeyboardInterrupt
        replace(source, target)

    monkeypatch.setattr(os, "replace", only_the_first)
    with pytest.raises(KeyboardInterrupt):
        keep({"weights": [9.0]}, place, DATA)
    monkeypatch.undo()
    with pytest.raises(ArtifactRefused, match="not the one that was written"):
        kept(place, DATA)
    keep(MODEL, place, DATA)
    assert kept(place, DATA) == MODEL


def test_what_cannot_be_pickled_leaves_nothing_behind(tmp_path: Path) -> None:
    where = place_of(tmp_path, DATA)
    with pytest.raises((pickle.PicklingError, AttributeError)):
        keep(lambda: None, where, DATA)
    assert not list(tmp_path.iterdir())


def test_the_code_that_a_model_depends_on_is_in_its_key(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A change of one byte in price_model or domain makes another key; SHA-256 in lower-case hex."""
    before = artifact.code_sha256()
    assert re.fullmatch("[0-9a-f]{64}", before)
    assert set(artifact.CODE) >= {"price_model", "domain"}
    root = tmp_path / "valuer"
    for room in artifact.CODE:
        (root / room).mkdir(parents=True)
        (root / room / "a.py").write_text("x = 1\n", "utf-8")
    monkeypatch.setattr(artifact, "__file__", str(root / "price_model" / "artifact.py"))
    first = artifact.code_sha256()
    (root / "domain" / "a.py").write_text("x = 2\n", "utf-8")
    assert artifact.code_sha256() not in (first, before)
