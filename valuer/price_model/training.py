"""The trained mower model: taken from the user's cache, or trained the first time and kept."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np

from valuer import __version__
from valuer.advice.ports import Basis
from valuer.paths import cache_folder, shipped
from valuer.price_model import given
from valuer.price_model.artifact import ArtifactRefused, keep, kept, place_of, proven
from valuer.price_model.given import Given
from valuer.price_model.mower import MowerModel, train_mower_model
from valuer.price_model.sales_file import read_sales, read_sales_text
from valuer.price_model.selling import SellingModel, fit_selling_model

Report = Callable[[float, str], None]
"""Called with the share done, 0 to 1, and what is being done."""

SYNTHETIC_SALES = "datasets/synthetic_mower_sales.csv"
SYNTHETIC_LISTINGS = "datasets/synthetic_mower_listings.csv"
STEPS = 8


def load_or_train(report: Report | None = None) -> MowerModel:
    """The model in force; trained when no kept one fits the data, the code and the libraries.

    It rests on the sales that `train` was last given, or on the shipped synthetic ones.
    """
    return _of(given.in_force(), fresh=False, report=report)


def train(sales: Path | None = None, report: Report | None = None, with_synthetic: float = 0.0) -> MowerModel:
    """Train now and keep the result in force: on another file of the same columns, or on the shipped synthetic sales.

    with_synthetic: how much each synthetic sale counts beside one of the file, from 0 (they are left out) to below 1.
    A given file is copied into the user's data folder once the training has succeeded, so that the model can be
    trained again when the code changes; without a file the copy goes. Raises TableError with one line a problem.
    """
    if sales is None:
        given.forget()
        return _of(None, fresh=True, report=report)
    given.check_weight(with_synthetic)
    data = given.read(sales, with_synthetic)
    model = _of(data, fresh=True, report=report)
    given.put_in_force(data)
    return model


def prove() -> int:
    """Bytes of the kept model in force, proved and not loaded; FileNotFoundError or ArtifactRefused."""
    key = _key(given.in_force())
    return len(proven(place_of(cache_folder(), key), key))


def _of(data: Given | None, *, fresh: bool, report: Report | None) -> MowerModel:
    """The model of the given sales, or of the shipped ones; a kept one unless it must be fresh."""
    say = report or (lambda _done, _what: None)
    key = _key(data)
    found = None if fresh else _found(key, say)
    if found is not None:
        return found
    say(0.0, "reading the sales")
    done = 0

    def step(what: str) -> None:
        nonlocal done
        done += 1
        say(min(done / STEPS, 0.99), what)

    model = _trained_on_shipped(step) if data is None else _trained_on(data, step)
    step("learning how listings sell")
    model = replace(model, selling=_selling_model(shipped(SYNTHETIC_LISTINGS).read_bytes()))
    keep(model, place_of(cache_folder(), key), key)
    if data is not None:
        given.keep_card(data, model.price_model)
    say(1.0, "done")
    return model


def _trained_on_shipped(step: Callable[[str], None]) -> MowerModel:
    table, sales = read_sales(shipped(SYNTHETIC_SALES))
    data_sha256 = hashlib.sha256(sales).hexdigest()
    basis = Basis(model=f"resale_value {__version__}", data_sha256=data_sha256, synthetic=True, own_sales=0)
    return train_mower_model(table, basis, step)


def _trained_on(data: Given, step: Callable[[str], None]) -> MowerModel:
    import pandas as pd

    table = read_sales_text(data.sales, data.name)
    model, own = f"resale_value {__version__} on {data.name}", len(table)
    if not data.with_synthetic:
        basis = Basis(model=model, data_sha256=data.sha256, synthetic=False, own_sales=own)
        return train_mower_model(table, basis, step)
    invented, sales = read_sales(shipped(SYNTHETIC_SALES))
    counts = np.concatenate([np.ones(own), np.full(len(invented), data.with_synthetic)])
    basis = Basis(
        model=f"{model} with invented sales at weight {data.with_synthetic:g}",
        data_sha256=_both(data.sales, sales),
        synthetic=True,
        own_sales=own,
    )
    return train_mower_model(pd.concat([table, invented], ignore_index=True), basis, step, counts)


def _key(data: Given | None) -> str:
    """One hash of all that the model is trained on, and of how much it counts."""
    listings = shipped(SYNTHETIC_LISTINGS).read_bytes()
    if data is None:
        return _both(shipped(SYNTHETIC_SALES).read_bytes(), listings)
    if not data.with_synthetic:
        return _both(data.sales, data.name.encode(), listings)
    weight = repr(data.with_synthetic).encode()
    return _both(data.sales, data.name.encode(), listings, shipped(SYNTHETIC_SALES).read_bytes(), weight)


def _selling_model(listings: bytes) -> SellingModel:
    import pandas as pd

    return fit_selling_model(pd.read_csv(io.BytesIO(listings), keep_default_na=False, na_values=[""]))


def _both(*parts: bytes) -> str:
    """One hash of several contents: that of their hashes."""
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()


def _found(data_sha256: str, say: Report) -> MowerModel | None:
    """The kept model of these data, or nothing; a refused one is named and trained again."""
    try:
        return cast("MowerModel", kept(place_of(cache_folder(), data_sha256), data_sha256))
    except FileNotFoundError:
        return None
    except ArtifactRefused as refused:
        say(0.0, f"training again: {refused}")
        return None
