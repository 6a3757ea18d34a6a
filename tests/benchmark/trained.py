"""What the price benchmark trains, on how much, and what is known of the sales it is held against."""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from valuer.advice.ports import Basis
from valuer.domain.faults import fault_catalogue
from valuer.market.assumptions import assumptions
from valuer.market.files import N_SALES
from valuer.market.sales import draw_sales, fault_texts, recorded_severity
from valuer.market.stock import ATTRIBUTES, Stock
from valuer.market.truth import Truth, truth_of
from valuer.price_model.mower import CATEGORICAL, NUMERIC, SEASON, MowerModel, model_table, train_mower_model

N_TRAIN, N_TEST, N_COST = N_SALES, 5_000, 8_000
BASIS = Basis(model="benchmark", data_sha256="0" * 64, synthetic=True, own_sales=0)
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Run:
    """One seed: what was trained, on what, and what is known of the test sales."""

    seed: int
    stock: Stock
    table: pd.DataFrame
    model: MowerModel
    test_stock: Stock
    test: pd.DataFrame
    truth: Truth
    train_seconds: float

    @property
    def actual(self) -> Floats:
        """Log of the test prices."""
        return np.asarray(np.log(self.test["price"].to_numpy()))

    @cached_property
    def floor(self) -> float:
        """Error of the truth itself, its sampling error taken out."""
        return float(
            np.sqrt(np.mean((self.actual - self.truth.mean) ** 2) - self.truth.sampling_variance.mean())
        )

    @cached_property
    def predicted(self) -> pd.DataFrame:
        """The model's value, low and high of the test sales."""
        return self.model.price_model.predict(self.test)


def draw_run(seed: int) -> Run:
    """Draw, train, and work out the truth of the test sales."""
    stock, sales = draw_sales(N_TRAIN, seed)
    table = model_table(sales)
    start = time.perf_counter()
    model = train_mower_model(sales, BASIS)
    seconds = time.perf_counter() - start
    test_stock, test_sales = draw_sales(N_TEST, 1000 + seed)
    recorded = recorded_severity(test_sales["faults"].tolist(), assumptions().fault_ids)
    truth = truth_of(test_sales, recorded, seed, draws=300)
    return Run(seed, stock, table, model, test_stock, model_table(test_sales), truth, seconds)


def known_table(stock: Stock) -> pd.DataFrame:
    """The model's table of machines of which everything is known."""
    sales = stock.attributes[[*ATTRIBUTES, "month"]].astype(object)
    sales["faults"] = fault_texts(stock.severity, assumptions().fault_ids)
    sales["price"] = 1.0
    return model_table(sales)


def as_numbers(table: pd.DataFrame, like: pd.DataFrame) -> Floats:
    """Level codes and numbers, unknown as NaN, for trees."""
    codes = [
        pd.Categorical(table[c], categories=sorted(like[c].dropna().unique(), key=str)).codes
        for c in CATEGORICAL
    ]
    numbers = table[[*NUMERIC, *SEASON, *fault_catalogue()]].astype(float).to_numpy()
    stacked = np.column_stack([*codes, numbers]).astype(float)
    stacked[:, : len(CATEGORICAL)][stacked[:, : len(CATEGORICAL)] < 0] = np.nan
    stacked[:, np.isnan(stacked).all(axis=0)] = 0.0  # the trees cannot take a column that nobody fills
    return stacked


def as_dummies(table: pd.DataFrame, like: pd.DataFrame) -> Floats:
    """Plain hedonic columns: dummies of levels and severities, numbers with a flag for unknown."""
    parts: list[NDArray[Any]] = []
    for c in CATEGORICAL:
        parts += [(table[c] == level).to_numpy() for level in sorted(like[c].dropna().unique(), key=str)]
    for c in NUMERIC:
        values = table[c].astype(float)
        parts += [values.isna().to_numpy(), values.fillna(like[c].astype(float).mean()).to_numpy()]
    faults = table[list(fault_catalogue())].to_numpy()
    return np.column_stack([*parts, table[list(SEASON)].to_numpy(), faults >= 1, faults >= 2]).astype(
        np.float64
    )
