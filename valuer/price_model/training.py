"""The trained mower model: the one that is shipped, or one of the user's own sales; and training either again."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import accumulate, islice
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from valuer import __version__
from valuer.advice.ports import Basis
from valuer.paths import cache_folder, shipped
from valuer.price_model import artifact, given
from valuer.price_model.artifact import ArtifactRefused, keep, kept
from valuer.price_model.design import Floats
from valuer.price_model.fit import BLANKS, BOOSTING, FOLDS, LINE, POOLS, POOLS_FROM, WHOLE, WIDTH
from valuer.price_model.given import Given
from valuer.price_model.hedonic import Penalties
from valuer.price_model.mower import MowerModel, model_table, train_mower_model
from valuer.price_model.sales_file import Say, read_sales_text, unsaid
from valuer.price_model.selling import SellingModel, fit_selling_model
from valuer.price_model.troubles import all_told

if TYPE_CHECKING:
    import pandas as pd

Report = Callable[[float, str], None]
"""Called with the share done, 0 to 1, and what is being done."""

SYNTHETIC_SALES = "datasets/synthetic_mower_sales.csv.gz"
SYNTHETIC_LISTINGS = "datasets/synthetic_mower_listings.csv"

SAMPLE, ASKED = 6_000, 100
"""Sales that a small model beside the shipped one is trained on, enough for pools of buyers, and the next ones, whose
values it tells."""

FEW_STEPS = 60
"""After these the fit of the sample ends: sums added up in another order, as another processor does, have moved its
values by 1e-7 then, after 160 by hundredths (tried by hand with prices changed in their last digits)."""

LENT = 20_000
"""Invented sales that stand beside given ones. All of them would take minutes, and count five times as much at the same
weight."""

READING, LISTINGS, BESIDE = "reading the sales", "learning how listings sell", "training on a sample"

SECONDS: Mapping[str, tuple[float, float]] = {
    READING: (0.5, 0.07),
    BLANKS: (1.2, 0.4),
    LINE: (0.1, 0.03),
    POOLS: (5.0, 1.9),
    BOOSTING: (1.4, 0.5),
    WHOLE: (0.0, 0.4),
    WIDTH: (0.3, 0.3),
    LISTINGS: (2.3, 0.0),
}
"""What each step took, and what more for every thousand sales, in seconds of one processor, as measured on 300, 4,000
and 20,300 sales. What they are to each other counts alone: how fast a machine is shows as steps are done."""


def load_or_train(report: Report | None = None) -> MowerModel:
    """The model in force: the shipped one, or that of the sales that `train` was last given.

    The latter is trained again where it is not kept any more or another version kept it. Raises ArtifactRefused,
    saying what to do, where the shipped one cannot be used.
    """
    data = given.in_force()
    return (
        _shipped() if data is None else _found(data, report or _silent) or _trained(data, report or _silent)
    )


def train(
    sales: Path | None = None,
    report: Report | None = None,
    with_synthetic: float = 0.0,
    out: Path | None = None,
    words: Say = unsaid,
    *,
    full: bool = False,
) -> MowerModel:
    """Train now and put the result in force: on another file of the same columns, or on the shipped synthetic sales.

    with_synthetic: how much each synthetic sale counts beside one of the file, from 0 (they are left out) to below 1.
    A given file is copied into the user's data folder once the training has succeeded, so that the model can be
    trained again; without a file the copy goes, and the shipped model is written anew. out: write the model there
    instead and leave everything else as it is. words: hears which words of the file were taken for others
    and which of its prices are doubted. Raises TableError with all that is wrong with the file. Each is one line, with
    full a line for each thing.
    """
    data = None
    if sales is not None:
        given.check_weight(with_synthetic)
        data = given.read(sales, with_synthetic)
    model = _trained(data, report or _silent, out, words, full=full)
    if out is None:
        given.put_in_force(data) if data else given.forget()
    return model


def place() -> Path:
    """Where the model in force is kept."""
    return _place(given.in_force())


def _place(data: Given | None) -> Path:
    return cache_folder() / f"resale_value-{trained_on(data)[:24]}.npz" if data else artifact.SHIPPED


def _shipped() -> MowerModel:
    try:
        return kept(artifact.SHIPPED)
    except FileNotFoundError:
        raise ArtifactRefused(
            "the shipped model is not there; install valuer again, or run `valuer train`"
        ) from None
    except ArtifactRefused as refused:
        raise ArtifactRefused(f"{refused}; install valuer again, or run `valuer train`") from None


def _silent(_done: float, _what: str) -> None:
    """Report to nobody."""


def _trained(
    data: Given | None, say: Report, out: Path | None = None, words: Say = unsaid, *, full: bool = False
) -> MowerModel:
    """Train on the given sales or the shipped ones, and keep the model at its place or at another."""
    say(0.0, READING)
    table, basis, counts = _shipped_sales() if data is None else _given_sales(data, words, full=full)
    begins = steps_begin(len(table), sample=data is None)
    model = train_mower_model(table, basis, lambda step: say(begins[step], step), counts)
    say(begins[LISTINGS], LISTINGS)
    model = replace(model, selling=_selling_model(shipped(SYNTHETIC_LISTINGS).read_bytes()))
    about = {}
    if data is None:
        say(begins[BESIDE], BESIDE)
        about["sample"] = json.dumps(sample_values(invented_sales()))
    keep(model, out or _place(data), trained_on(data), **about)
    if data is not None and out is None:
        given.keep_card(data, model.price_model)
    say(1.0, "done")
    return model


def steps_begin(rows: int, *, sample: bool = False) -> dict[str, float]:
    """Share of the time of training on so many sales that is over when each of its steps begins.

    sample: whether a small model is trained beside it, on the SAMPLE or all where there are fewer.

    >>> begins = steps_begin(300)
    >>> begins[READING], 0.3 < begins[LISTINGS] < 0.7
    (0.0, True)
    """
    takes = _seconds(rows)
    if sample:
        takes[BESIDE] = sum(_seconds(min(rows, SAMPLE)).values()) - takes[LISTINGS]
    ends = list(accumulate(takes.values()))
    return {step: (end - took) / ends[-1] for (step, took), end in zip(takes.items(), ends, strict=True)}


def _seconds(rows: int) -> dict[str, float]:
    """What each step takes on so many sales, in seconds of one processor."""
    takes = {step: once + more * rows / 1000 for step, (once, more) in SECONDS.items()}
    fits = 1 + ceil(FOLDS / (os.cpu_count() or 1))  # one on all rows, then the folds beside each other
    takes[POOLS] *= fits / (1 + FOLDS)
    if rows < POOLS_FROM:
        del takes[POOLS]
    return takes


Lesson = tuple["pd.DataFrame", Basis, Floats | None]
"""The sales to train on, what the model will rest on, and how much each sale counts, shape (n,); all alike without."""


def sample_values(sales: bytes) -> list[list[float]]:
    """Value, low and high of ASKED sales of a CSV by a model of the SAMPLE before them.

    They are kept beside the shipped model: by them a test tells in seconds whether the code still trains as it did
    when that was trained, which takes minutes.
    """
    table = read_sales_text(first_sales(sales, SAMPLE + ASKED), SYNTHETIC_SALES)
    basis = Basis(model="sample", data_sha256="", synthetic=True, own_sales=0)
    small = train_mower_model(table.head(SAMPLE), basis, penalties=Penalties(steps=FEW_STEPS))
    told = small.price_model.predict(model_table(table.tail(ASKED)))
    return [[round(float(number), 3) for number in row] for row in told.to_numpy()]


def invented_sales() -> bytes:
    """The CSV of the shipped sales."""
    return gzip.decompress(shipped(SYNTHETIC_SALES).read_bytes())


def first_sales(sales: bytes, n: int) -> bytes:
    r"""The CSV of the first n of the sales of a CSV, or of all where there are fewer.

    >>> first_sales(b"price\n5\n6\n7\n", 2), first_sales(b"price\n5\n", 2)
    (b'price\n5\n6\n', b'price\n5\n')
    """
    return b"".join(islice(io.BytesIO(sales), n + 1))


def _shipped_sales() -> Lesson:
    sales = invented_sales()
    table = read_sales_text(sales, SYNTHETIC_SALES).reset_index(drop=True)
    data_sha256 = hashlib.sha256(sales).hexdigest()
    basis = Basis(model=f"resale_value {__version__}", data_sha256=data_sha256, synthetic=True, own_sales=0)
    return table, basis, None


def _given_sales(data: Given, words: Say, *, full: bool) -> Lesson:
    import pandas as pd

    from valuer.price_model.doubts import doubts

    read = read_sales_text(data.sales, data.name, words, full=full)
    found = doubts(read, _yardstick())
    if found.found:
        words(all_told(data.name, found.found, "things to look at", full=full))
    table = read.reset_index(drop=True)
    model, own = f"resale_value {__version__} on {data.name}", len(table)
    if not data.with_synthetic:
        basis = Basis(model=model, data_sha256=data.sha256, synthetic=False, own_sales=own)
        return table, basis, found.counts if found.any else None
    sales = invented_sales()
    invented = read_sales_text(first_sales(sales, LENT), SYNTHETIC_SALES)
    counts = np.concatenate([found.counts, np.full(len(invented), data.with_synthetic)])
    basis = Basis(
        model=f"{model} with invented sales at weight {data.with_synthetic:g}",
        data_sha256=_both(data.sales, sales),
        synthetic=True,
        own_sales=own,
    )
    return pd.concat([table, invented], ignore_index=True), basis, counts


def _yardstick() -> MowerModel | None:
    """The shipped model, by which the prices of a file are doubted; nothing where it cannot be used."""
    try:
        return kept(artifact.SHIPPED)
    except (FileNotFoundError, ArtifactRefused):
        return None


def trained_on(data: Given | None = None) -> str:
    """One hash of all that the model is trained on, and of how much it counts; of a given file, by which version."""
    listings = shipped(SYNTHETIC_LISTINGS).read_bytes()
    if data is None:
        return _both(invented_sales(), listings)
    mine = (data.sales, data.name.encode(), __version__.encode(), listings)
    if not data.with_synthetic:
        return _both(*mine)
    return _both(*mine, invented_sales(), repr(data.with_synthetic).encode())


def _selling_model(listings: bytes) -> SellingModel:
    import pandas as pd

    return fit_selling_model(pd.read_csv(io.BytesIO(listings), keep_default_na=False, na_values=[""]))


def _both(*parts: bytes) -> str:
    """One hash of several contents: that of their hashes."""
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()


def _found(data: Given, say: Report) -> MowerModel | None:
    """The kept model of these sales, or nothing; a refused one is named and trained again."""
    try:
        return kept(_place(data), trained_on(data))
    except FileNotFoundError:
        return None
    except ArtifactRefused as refused:
        say(0.0, f"training again: {refused}")
        return None
