"""Keeping a trained model: plain numbers in one file, written whole or not at all, refused where it does not fit.

Nothing is run when a model is read (see `plain`), so a file from elsewhere can price as it likes but do nothing else.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from valuer.advice.ports import Basis
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import FORMER_LOOKS
from valuer.price_model.design import Columns
from valuer.price_model.fit import HeldOut, PriceModel
from valuer.price_model.hedonic import LinearBase, Pool, PooledBase
from valuer.price_model.interval import Interval
from valuer.price_model.mower import MowerModel
from valuer.price_model.plain import NotPlain, from_bytes, to_bytes
from valuer.price_model.selling import SellingModel
from valuer.price_model.trees import Trees
from valuer.price_model.unknowns import Reader, Unknowns

RECORDS = (
    MowerModel, PriceModel, Columns, Unknowns, Reader, Trees, LinearBase, PooledBase, Pool, Interval, HeldOut,
    SellingModel, Basis,
)  # fmt: skip
"""Every kind of record that a kept model is made of; a new kind of part is added here and is then kept too."""

SHIPPED = Path(__file__).with_name("resale_value.npz")
"""The model that comes with valuer, on the shipped invented sales; `valuer train` writes it."""


class ArtifactRefused(Exception):
    """A kept model must not be used; the message says what was expected and what came."""


def keep(model: MowerModel, path: Path, trained_on: str, **about: str) -> None:
    """Write a model. trained_on: one hash of all that it was trained on; about: what else is to be known of it."""
    write_whole(path, to_bytes(model, RECORDS, {"trained_on": trained_on, **about}), mode=0o644)


def kept(path: Path, trained_on: str | None = None) -> MowerModel:
    """The kept model; FileNotFoundError where there is none, ArtifactRefused where it must not be used.

    trained_on: the hash that it must have been kept with, where that matters.
    """
    try:
        model, about = from_bytes(path.read_bytes(), RECORDS)
    except NotPlain as refused:
        raise ArtifactRefused(f"the model in {path.name} cannot be used: {refused}") from None
    if not isinstance(model, MowerModel):
        raise ArtifactRefused(f"expected a model of mowers in {path.name}, got {type(model).__name__}")
    if trained_on not in (None, about.get("trained_on")):
        had = about.get("trained_on")
        raise ArtifactRefused(
            f"the model in {path.name} was trained on other data: expected {trained_on}, got {had}"
        )
    if differ := set(model.price_model.columns.flags) ^ set(fault_catalogue()):
        names = ", ".join(sorted(differ))
        raise ArtifactRefused(
            f"the model in {path.name} was trained for another catalogue of faults: {names}"
        )
    former = set(model.price_model.columns.levels.get("looks", ())) & set(FORMER_LOOKS)
    if former:  # a word the model knows under another name would count as not told
        raise ArtifactRefused(
            f"the model in {path.name} has looks {', '.join(sorted(map(str, former)))} of before"
        )
    return model


def write_whole(path: Path, data: bytes, mode: int = 0o600) -> None:
    """Write a file so that it is there whole or not at all, for its owner's eyes only by default; makes its folder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(mode)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
