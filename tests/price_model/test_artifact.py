"""A kept model is loaded only when nothing about it has changed, and never unpickled to find out."""

import hashlib
import json
import os
import pickle
import re
import stat
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import joblib
import pytest

from valuer.price_model import artifact
from valuer.price_model.artifact import ArtifactRefused, Place, keep, kept, place_of
from valuer.price_model.signing import SIZE, own_secret, signature

DATA = "d" * 64
MODEL = {"weights": [1.0, 2.0, 3.0], "name": "small"}


class LeavesAMark:
    """What an attacker would store: unpickling it writes a file."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[Any, ...]:
        return Path.write_text, (self.mark, "unpickled")


@pytest.fixture(autouse=True)
def an_installation(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Give every test a data folder, and so a secret, of its own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


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
    """Change entries of the manifest, as somebody would who cannot sign it."""
    place.manifest.write_text(json.dumps(manifest_of(place) | changes), "utf-8")


def rewrite_signed(place: Place, **changes: object) -> None:
    """Change entries of the manifest and sign it as this installation does."""
    content = manifest_of(place) | changes
    del content["signature"]
    signed = content | {"signature": signature(content, place.secret.read_bytes())}
    place.manifest.write_text(json.dumps(signed), "utf-8")


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


def plant(place: Place, payload: bytes) -> None:
    """The payload with a manifest that is right about it in everything, but not signed anew."""
    place.model.write_bytes(payload)
    rewrite(place, sha256=hashlib.sha256(payload).hexdigest(), bytes=len(payload))


def plant_without_a_signature(place: Place, payload: bytes) -> None:
    """The same, as an older valuer would have written it."""
    plant(place, payload)
    content = manifest_of(place)
    del content["signature"]
    place.manifest.write_text(json.dumps(content), "utf-8")


def plant_a_signature_that_is_no_text(place: Place, payload: bytes) -> None:
    """The same with nothing where the signature should be."""
    plant(place, payload)
    rewrite(place, signature=None)


def plant_a_signature_that_is_no_ascii(place: Place, payload: bytes) -> None:
    """The same with half of a surrogate pair, which no encoding takes."""
    plant(place, payload)
    rewrite(place, signature="\ud800")


def plant_from_another_installation(place: Place, payload: bytes) -> None:
    """The payload kept in order by another installation, both files copied here."""
    plant(place, payload)
    content = manifest_of(place)
    del content["signature"]
    rewrite(place, signature=signature(content, b"x" * SIZE))


def lose_the_secret(place: Place, payload: bytes) -> None:
    """The user's data folder was emptied: nothing can be checked any more."""
    place.secret.unlink()


def cut_the_secret(place: Place, payload: bytes) -> None:
    """A secret of no length is known to everybody."""
    place.secret.write_bytes(b"")
    sign_with(b"", place, payload)


def sign_with(secret: bytes, place: Place, payload: bytes) -> None:
    """Plant the payload signed with a secret that somebody knows."""
    plant(place, payload)
    content = manifest_of(place)
    del content["signature"]
    rewrite(place, signature=signature(content, secret))


def let_the_group_write_the_secret(place: Place, payload: bytes) -> None:
    """Somebody of the group put his own secret there."""
    place.secret.write_bytes(b"g" * SIZE)
    place.secret.chmod(0o620)
    sign_with(b"g" * SIZE, place, payload)


def let_the_world_write_the_secret(place: Place, payload: bytes) -> None:
    """The same, open to everybody."""
    place.secret.write_bytes(b"w" * SIZE)
    place.secret.chmod(0o602)
    sign_with(b"w" * SIZE, place, payload)


def let_the_world_read_the_secret(place: Place, payload: bytes) -> None:
    """Who can read the secret can sign what he likes."""
    place.secret.chmod(0o644)
    sign_with(place.secret.read_bytes(), place, payload)


def link_the_secret(place: Place, payload: bytes) -> None:
    """A link to a secret that somebody else knows."""
    elsewhere = place.secret.with_suffix(".elsewhere")
    elsewhere.write_bytes(b"l" * SIZE)
    elsewhere.chmod(0o600)
    place.secret.unlink()
    place.secret.symlink_to(elsewhere)
    sign_with(b"l" * SIZE, place, payload)


def make_the_secret_a_pipe(place: Place, payload: bytes) -> None:
    """The same of the secret."""
    place.secret.unlink()
    os.mkfifo(place.secret, 0o600)


def make_the_model_a_pipe(place: Place, payload: bytes) -> None:
    """A pipe that nobody writes to would be waited for without end."""
    place.model.unlink()
    os.mkfifo(place.model)


def pass_off_other_versions(place: Place, payload: bytes) -> None:
    """Signed here and right about the payload, but made with an older library: its pickle may not fit."""
    place.model.write_bytes(payload)
    versions = manifest_of(place)["versions"] | {"scikit-learn": "1.0"}
    rewrite_signed(place, sha256=hashlib.sha256(payload).hexdigest(), versions=versions)


def pass_off_other_code(place: Place, payload: bytes) -> None:
    """The same with other code."""
    place.model.write_bytes(payload)
    rewrite_signed(place, sha256=hashlib.sha256(payload).hexdigest(), code_sha256="0" * 64)


def pass_off_other_data(place: Place, payload: bytes) -> None:
    """The same with other data."""
    place.model.write_bytes(payload)
    rewrite_signed(place, sha256=hashlib.sha256(payload).hexdigest(), data_sha256="0" * 64)


def nest_the_manifest(place: Place, payload: bytes) -> None:
    """Lists in lists without end."""
    place.model.write_bytes(payload)
    place.manifest.write_text("[" * 100_000, "utf-8")


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


NOT_OURS = "was not signed by this installation"
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
    empty_the_manifest: NOT_OURS,
    nest_the_manifest: "manifest of the kept model cannot be read",
    plant: NOT_OURS,
    plant_without_a_signature: NOT_OURS,
    plant_a_signature_that_is_no_text: NOT_OURS,
    plant_a_signature_that_is_no_ascii: NOT_OURS,
    plant_from_another_installation: NOT_OURS,
    lose_the_secret: "cannot be checked: this installation has no secret yet",
    cut_the_secret: "cannot be checked: .* is damaged: expected 32 bytes, got 0",
    let_the_group_write_the_secret: "open to others: expected mode 600 and your own, got mode 620",
    let_the_world_write_the_secret: "open to others: expected mode 600 and your own, got mode 602",
    let_the_world_read_the_secret: "open to others: expected mode 600 and your own, got mode 644",
    link_the_secret: "cannot be checked: the secret of this installation cannot be read",
    make_the_secret_a_pipe: "cannot be checked: the secret of this installation is no ordinary file",
    make_the_model_a_pipe: "cannot be read: it is no ordinary file",
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


@pytest.mark.parametrize("spoil", SPOILS, ids=lambda spoil: spoil.__name__)
def test_what_was_refused_is_replaced(place: Place, payload: tuple[bytes, Path], spoil: Spoil) -> None:
    """Training again writes both files, and where the secret was not to be trusted, a new one."""
    live, mark = payload
    spoil(place, live)
    keep(MODEL, place, DATA)
    assert kept(place, DATA) == MODEL
    assert not mark.exists()
    assert stat.S_IMODE(place.secret.lstat().st_mode) == 0o600
    assert not {path.read_bytes() for path in (place.model, place.manifest, place.secret)} & {live}


def test_a_link_that_stood_for_the_secret_is_replaced_and_not_followed(place: Place) -> None:
    link_the_secret(place, b"")
    keep(MODEL, place, DATA)
    assert not place.secret.is_symlink()
    assert place.secret.with_suffix(".elsewhere").read_bytes() == b"l" * SIZE, (
        "nothing was written through it"
    )


def test_the_secret_is_made_once_for_the_user_alone_and_away_from_the_cache(place: Place) -> None:
    """32 bytes: RFC 2104, section 3, a key no shorter than the digest, which is SHA-256's."""
    first = place.secret.read_bytes()
    assert len(first) == 32
    assert stat.S_IMODE(place.secret.stat().st_mode) == 0o600
    assert stat.S_IMODE(place.secret.parent.stat().st_mode) & 0o077 == 0
    assert place.model.parent not in place.secret.parents
    keep({"weights": [9.0]}, place, DATA)
    assert place.secret.read_bytes() == first
    assert first not in place.manifest.read_bytes()
    assert first.hex() not in place.manifest.read_text("utf-8")


def test_a_secret_that_belongs_to_somebody_else_is_refused(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: place.secret.stat().st_uid + 1)
    with pytest.raises(ArtifactRefused, match="open to others"):
        kept(place, DATA)


def test_where_no_secret_can_be_private_the_model_is_trained_each_time_and_the_reason_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A memory stick's file system shows every file as everybody's and knows no second names."""
    whole = os.fstat

    def everybodys(handle: int) -> os.stat_result:
        state = whole(handle)
        return os.stat_result((state.st_mode | 0o077, *state[1:]))

    monkeypatch.setattr(os, "fstat", everybodys)
    monkeypatch.setattr(Path, "hardlink_to", no_second_names)
    where = place_of(tmp_path / "cache", DATA)
    keep(MODEL, where, DATA)
    with pytest.raises(ArtifactRefused, match=r"cannot be checked: .* open to others"):
        kept(where, DATA)


def no_second_names(path: Path, target: Path) -> None:
    """What such a file system answers."""
    raise PermissionError(1, "Operation not permitted")


def test_a_file_system_without_second_names_keeps_a_secret_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "hardlink_to", no_second_names)
    path = tmp_path / "secret"
    assert own_secret(path) == path.read_bytes() == own_secret(path)
    assert list(tmp_path.iterdir()) == [path]


def test_two_that_start_at_once_agree_on_one_secret(tmp_path: Path) -> None:
    path = tmp_path / "data" / "secret"
    with ThreadPoolExecutor(8) as pool:
        made = list(pool.map(lambda _: own_secret(path), range(8), timeout=60))
    assert set(made) == {path.read_bytes()}


def test_the_signature_is_hmac_sha_256() -> None:
    """From OpenSSL: `printf '{"a":1,"b":[2]}' | openssl dgst -sha256 -hmac Jefe`."""
    from_openssl = "fe66469cb005cd3c94855076554603e02fd84822f32109741ef3ef2ae54e9c1e"
    assert signature({"b": [2], "a": 1}, b"Jefe") == from_openssl


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
