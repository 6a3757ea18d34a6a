"""The trained mower model: taken from the user's cache, or trained the first time and kept."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import cast

from valuer import __version__
from valuer.advice.ports import Basis
from valuer.paths import cache_folder, data_folder, shipped
from valuer.price_model.artifact import ArtifactRefused, keep, kept, place_of, proven, write_whole
from valuer.price_model.mower import MowerModel, train_mower_model
from valuer.price_model.sales_file import read_sales
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
    given = given_sales()
    if given.exists():
        return _of_file(given, synthetic=False, fresh=False, report=report)
    return _of_file(shipped(SYNTHETIC_SALES), synthetic=True, fresh=False, report=report)


def train(sales: Path | None = None, report: Report | None = None) -> MowerModel:
    """Train now and keep the result in force: on another file of the same columns, or on the shipped synthetic sales.

    A given file is copied into the user's data folder once the training has succeeded, so that the model can be
    trained again when the code changes; without a file the copy goes. Raises TableError with one line a problem.
    """
    given = given_sales()
    if sales is None:
        given.unlink(missing_ok=True)
        return _of_file(shipped(SYNTHETIC_SALES), synthetic=True, fresh=True, report=report)
    model = _of_file(sales, synthetic=False, fresh=True, report=report)
    if sales.resolve() != given.resolve():
        write_whole(given, sales.read_bytes())
    return model


def given_sales() -> Path:
    """Where the sales stand that the user gave to train on."""
    return data_folder() / "training_sales.csv"


def prove() -> int:
    """Bytes of the kept model in force, proved and not loaded; FileNotFoundError or ArtifactRefused."""
    given = given_sales()
    sales = given if given.exists() else shipped(SYNTHETIC_SALES)
    both = _both(sales.read_bytes(), shipped(SYNTHETIC_LISTINGS).read_bytes())
    return len(proven(place_of(cache_folder(), both), both))


def _of_file(path: Path, *, synthetic: bool, fresh: bool, report: Report | None) -> MowerModel:
    say = report or (lambda _done, _what: None)
    listings = shipped(SYNTHETIC_LISTINGS).read_bytes()
    if not fresh:
        found = _found(_both(path.read_bytes(), listings), say)
        if found is not None:
            return found
    say(0.0, "reading the sales")
    table, sales = read_sales(path)
    data_sha256 = hashlib.sha256(sales).hexdigest()
    done = 0

    def step(what: str) -> None:
        nonlocal done
        done += 1
        say(min(done / STEPS, 0.99), what)

    own = 0 if synthetic else len(table)
    basis = Basis(
        model=f"resale_value {__version__}", data_sha256=data_sha256, synthetic=synthetic, own_sales=own
    )
    model = train_mower_model(table, basis, step)
    step("learning how listings sell")
    model = replace(model, selling=_selling_model(listings))
    both = _both(sales, listings)
    keep(model, place_of(cache_folder(), both), both)
    say(1.0, "done")
    return model


def _selling_model(listings: bytes) -> SellingModel:
    import pandas as pd

    return fit_selling_model(pd.read_csv(io.BytesIO(listings), keep_default_na=False, na_values=[""]))


def _both(sales: bytes, listings: bytes) -> str:
    """One hash of all that the model is trained on."""
    return hashlib.sha256(hashlib.sha256(sales).digest() + hashlib.sha256(listings).digest()).hexdigest()


def _found(data_sha256: str, say: Report) -> MowerModel | None:
    """The kept model of these data, or nothing; a refused one is named and trained again."""
    try:
        return cast("MowerModel", kept(place_of(cache_folder(), data_sha256), data_sha256))
    except FileNotFoundError:
        return None
    except ArtifactRefused as refused:
        say(0.0, f"training again: {refused}")
        return None
