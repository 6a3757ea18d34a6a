"""Keeping a trained model: written whole or not at all, and never unpickled before its manifest has been checked.

joblib files are pickles, and unpickling runs code. A manifest beside the file holds its SHA-256, the data, the code
and the library versions it was made with, signed with the secret of this installation. The manifest is believed
only when the signature is right, and the bytes are read once, compared, and only then loaded. That stops damaged,
swapped, outdated and planted files; it does not stop somebody who can read the user's own secret.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import platform
import stat
import tempfile
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import joblib

from valuer.paths import data_folder
from valuer.price_model.signing import SecretRefused, is_signature, own_secret, read_secret, signature

LIBRARIES = ("scikit-learn", "numpy", "scipy", "pandas", "joblib")
CODE = ("price_model", "domain")


class ArtifactRefused(Exception):
    """A kept model must not be used; the message says what was expected and what came."""


@dataclass(frozen=True)
class Place:
    """Where a model is kept: its own file, the manifest beside it, and the secret somewhere else."""

    model: Path
    manifest: Path
    secret: Path


def place_of(folder: Path, data_sha256: str) -> Place:
    """The place of a model trained on this data by this code and these libraries."""
    key = hashlib.sha256(json.dumps([data_sha256, code_sha256(), versions()]).encode()).hexdigest()[:24]
    model, manifest = (folder / f"resale_value-{key}{ending}" for ending in (".joblib", ".json"))
    return Place(model, manifest, data_folder() / "installation_secret")


def versions() -> dict[str, str]:
    """Versions of Python and of the libraries that a pickle depends on."""
    return {"python": platform.python_version(), **{name: version(name) for name in LIBRARIES}}


def code_sha256() -> str:
    """SHA-256 of the code that a trained model depends on."""
    root = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for path in sorted(p for room in CODE for p in (root / room).rglob("*") if p.suffix in (".py", ".toml")):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def keep(model: Any, place: Place, data_sha256: str) -> None:
    """Write model and manifest, each whole: a temporary file, flushed, then renamed over the old one."""
    buffer = io.BytesIO()
    joblib.dump(model, buffer, compress=3)
    data = buffer.getvalue()
    manifest: dict[str, object] = {
        "sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data), "data_sha256": data_sha256,
        "code_sha256": code_sha256(), "versions": versions(),
    }  # fmt: skip
    manifest["signature"] = _signature(manifest, place.secret)
    write_whole(place.model, data)
    write_whole(place.manifest, json.dumps(manifest, indent=1, sort_keys=True).encode())


def _signature(manifest: dict[str, object], secret: Path) -> str | None:
    """None where no secret can be trusted: the model is trained each time, and `kept` says why."""
    try:
        return signature(manifest, own_secret(secret))
    except SecretRefused:
        return None


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all; makes its folder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def kept(place: Place, data_sha256: str) -> Any:
    """The kept model; FileNotFoundError where there is none, ArtifactRefused where it must not be loaded."""
    return joblib.load(io.BytesIO(proven(place, data_sha256)))


def proven(place: Place, data_sha256: str) -> bytes:
    """The bytes of the kept model, proved to be what this installation wrote; nothing is loaded.

    FileNotFoundError where there is none, ArtifactRefused where it must not be loaded.
    """
    if not place.manifest.exists() and not place.model.exists():
        raise FileNotFoundError(place.model)
    manifest = _signed(_manifest(place.manifest), place.secret)
    for name, expected in (
        ("data_sha256", data_sha256),
        ("code_sha256", code_sha256()),
        ("versions", versions()),
    ):
        if manifest.get(name) != expected:
            msg = (
                f"the kept model was made with another {name}: expected {expected}, got {manifest.get(name)}"
            )
            raise ArtifactRefused(msg)
    data = _plain_bytes(place.model)
    found = hashlib.sha256(data).hexdigest()
    if found != manifest.get("sha256"):
        msg = f"the kept model is not the one that was written: expected SHA-256 {manifest.get('sha256')}, got {found}"
        raise ArtifactRefused(msg)
    return data


def _signed(manifest: dict[str, Any], secret: Path) -> dict[str, Any]:
    """The manifest without its signature, once that has proved right: nothing in it is believed before."""
    content = {name: value for name, value in manifest.items() if name != "signature"}
    try:
        right = is_signature(manifest.get("signature"), content, read_secret(secret))
    except SecretRefused as refused:
        msg = f"the kept model cannot be checked: {refused}"
        raise ArtifactRefused(msg) from None
    if not right:
        msg = (
            "the manifest of the kept model was not signed by this installation; what it names is not loaded"
        )
        raise ArtifactRefused(msg)
    return content


def _manifest(path: Path) -> dict[str, Any]:
    try:
        manifest = json.loads(_plain_bytes(path))
    except (ValueError, RecursionError) as error:
        msg = f"the manifest of the kept model cannot be read: {error}"
        raise ArtifactRefused(msg) from None
    if not isinstance(manifest, dict):
        msg = f"the manifest of the kept model must be an object, got {type(manifest).__name__}"
        raise ArtifactRefused(msg)
    return manifest


def _plain_bytes(path: Path) -> bytes:
    """Bytes of a regular file, never through a link: a link may point at what another has written."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    except OSError as error:
        msg = f"{path.name} of the kept model cannot be read: {error.strerror}"
        raise ArtifactRefused(msg) from None
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):  # a pipe would be waited for without end
            msg = f"{path.name} of the kept model cannot be read: it is no ordinary file"
            raise ArtifactRefused(msg)
        return file.read()
