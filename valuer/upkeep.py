"""Whether the tool itself is in order: one part looked at, how it stands, and what to do about it."""

import json
import math
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from valuer.advice.ports import Basis, ValueModel
from valuer.domain.machine import Machine
from valuer.paths import data_folder, shipped
from valuer.records.store.problems import StoreProblem
from valuer.records.store.store import Store

State = Literal["well", "look", "wrong"]
Status = Literal["ok", "rough", "stalled"]
LOW_MB, FULL_MB = 200, 20
"""Free room below which a disk deserves a look, and below which records may not be written any more."""


class Part(BaseModel):
    """One part of the tool: ``well``, ``look`` (it works, but see to it) or ``wrong`` (something does not work)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    part: str
    state: State
    says: str = Field(description="what was found")
    do: str | None = Field(None, description="what to do about it")


def well(part: str, says: str) -> Part:
    """A part in order."""
    return Part(part=part, state="well", says=says)


def look(part: str, says: str, do: str) -> Part:
    """A part that works and should be seen to."""
    return Part(part=part, state="look", says=says, do=do)


def wrong(part: str, says: str, do: str) -> Part:
    """A part that does not work."""
    return Part(part=part, state="wrong", says=says, do=do)


def model_part(model: ValueModel) -> Part:
    """Whether the price model puts a number on a machine of which nothing is known."""
    try:
        value = float(model.value(model.encode([Machine.model_validate({"id": "any"})], 5))[0])
    except Exception as error:  # noqa: BLE001 - whatever keeps it from answering is what is to be told
        return wrong(
            "model", f"does not answer ({type(error).__name__})", "run `valuer train`, then start anew"
        )
    if not (math.isfinite(value) and value > 0):
        return wrong("model", f"gives {value:g} for a machine", "run `valuer train`, then start anew")
    return well("model", f"{model.basis.model} answers")


def store_part(store: Store) -> Part:
    """Whether the records can be read, and in which form they are."""
    try:
        with store.reading() as connection:
            form = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one()
        return well("records", f"{store.count():,} machines, form {form}")
    except StoreProblem as problem:
        return wrong("records", str(problem), "`valuer doctor` looks closer")


def disk_part(folder: Path | None = None) -> Part:
    """Whether there is room to write in a folder, the data folder by default, or where it would be made."""
    folder = folder or data_folder()
    there = next(each for each in (folder, *folder.absolute().parents) if each.exists())
    free = shutil.disk_usage(there).free // 1_000_000
    if free < FULL_MB:
        return wrong(
            "disk", f"{free:,} MB free", f"make room: under {FULL_MB} MB nothing can be written safely"
        )
    if free < LOW_MB:
        return look(
            "disk", f"{free:,} MB free", f"make room soon: under {FULL_MB} MB nothing can be written safely"
        )
    return well("disk", f"{free:,} MB free")


def card_part() -> Part:
    """Whether the figures of the model card are there and can be read."""
    try:
        figures = json.loads(shipped("model_cards/metrics.json").read_text("utf-8"))
        return well("card", f"{sum(len(v) for k, v in figures.items() if k.endswith('_figures'))} figures")
    except (OSError, ValueError) as error:
        return wrong("card", f"cannot be read ({type(error).__name__})", "install valuer again")


class Health(BaseModel):
    """``ok``; ``rough``: questions are answered, but something is to be seen to; ``stalled``: they are not."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    status: Status
    version: str
    basis: Basis | None = Field(
        description="what the answers rest on; nothing where the model does not answer"
    )
    parts: tuple[Part, ...] = Field(description="each part of the tool, and what to do where it is not well")


def health_of(version: str, model: ValueModel, basis: Callable[[], Basis], store: Store | None) -> Health:
    """Look at every part that a server's answers need."""
    first = model_part(model)
    written_to = store.file.parent if store and store.file else None
    parts = (first, *((store_part(store),) if store else ()), disk_part(written_to), card_part())
    answers = first.state == "well"
    status: Status = "stalled" if not answers else "ok" if all(p.state == "well" for p in parts) else "rough"
    return Health(status=status, version=version, basis=basis() if answers else None, parts=parts)
