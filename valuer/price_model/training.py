"""The trained mower model: taken from the user's cache, or trained the first time and kept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import cast

from valuer import __version__
from valuer.advice.ports import Basis
from valuer.paths import cache_folder, shipped
from valuer.price_model.artifact import ArtifactRefused, keep, kept, place_of
from valuer.price_model.mower import MowerModel, train_mower_model
from valuer.price_model.sales_file import read_sales

Report = Callable[[float, str], None]
"""Called with the share done, 0 to 1, and what is being done."""

SYNTHETIC_SALES = "datasets/synthetic_mower_sales.csv"
STEPS = 7


def load_or_train(report: Report | None = None) -> MowerModel:
    """The model of the shipped synthetic sales; trained when no kept one fits the data, the code and the libraries."""
    return _of_file(shipped(SYNTHETIC_SALES), synthetic=True, fresh=False, report=report)


def train(sales: Path | None = None, report: Report | None = None) -> MowerModel:
    """Train now, on the shipped synthetic sales or on another file of the same columns, and keep the result."""
    path = shipped(SYNTHETIC_SALES) if sales is None else sales
    return _of_file(path, synthetic=sales is None, fresh=True, report=report)


def _of_file(path: Path, *, synthetic: bool, fresh: bool, report: Report | None) -> MowerModel:
    say = report or (lambda _done, _what: None)
    if not fresh:
        found = _found(path, say)
        if found is not None:
            return found
    say(0.0, "reading the sales")
    table, data_sha256 = read_sales(path)
    done = 0

    def step(what: str) -> None:
        nonlocal done
        done += 1
        say(min(done / STEPS, 0.99), what)

    basis = Basis(
        model=f"resale_value {__version__}", data_sha256=data_sha256, synthetic=synthetic, own_sales=0 if synthetic else len(table)
    )
    model = train_mower_model(table, basis, step)
    keep(model, place_of(cache_folder(), data_sha256), data_sha256)
    say(1.0, "done")
    return model


def _found(path: Path, say: Report) -> MowerModel | None:
    """The kept model of these sales, or nothing; a refused one is named and trained again."""
    import hashlib  # noqa: PLC0415

    data_sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    try:
        return cast("MowerModel", kept(place_of(cache_folder(), data_sha256), data_sha256))
    except FileNotFoundError:
        return None
    except ArtifactRefused as refused:
        say(0.0, f"training again: {refused}")
        return None
