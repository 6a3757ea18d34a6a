"""The sales table: what a sale leaves on record, with the attributes that sellers leave out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from valuer.market.assumptions import Assumptions, Floats, assumptions
from valuer.market.buyers import Buyers
from valuer.market.stock import ATTRIBUTES, Severities, Stock, draw_stock

SEVERITY_WORDS = ("", "slight", "serious")


def draw_sales(n: int, seed: int, a: Assumptions | None = None) -> tuple[Stock, pd.DataFrame]:
    """Draw n sales; returns the stock as it truly is and the table as it is recorded.

    The table has the columns of ATTRIBUTES (missing where the seller did not say), `month`, one column `faults` of
    `fault_id:severity` pairs joined by `;`, `price` in dollars and `synthetic`, always 1. The same seed gives the
    same table bit for bit.
    """
    a = a or assumptions()
    rng = np.random.default_rng(seed)
    stock = draw_stock(n, rng, a)
    log_price = Buyers(a).outcomes(stock).draw(rng)
    table = leave_out(stock.attributes, rng, a)
    table.insert(0, "sale_id", [f"synthetic-{seed}-{i:06d}" for i in range(n)])
    table["faults"] = fault_texts(stock.severity, a.fault_ids)
    table["price"] = round_price(np.exp(log_price), a)
    table["synthetic"] = 1
    return stock, table


def leave_out(attributes: pd.DataFrame, rng: np.random.Generator, a: Assumptions) -> pd.DataFrame:
    """Hide what sellers do not say; keeps the columns of ATTRIBUTES and `month`."""
    table = attributes[[*ATTRIBUTES, "month"]].copy()
    for name, chance in left_out_chance(attributes, a).items():
        hidden = rng.random(len(table)) < chance
        table[name] = table[name].astype(object).where(~hidden, None)
    return table


def left_out_chance(attributes: pd.DataFrame, a: Assumptions) -> dict[str, Floats]:
    """Chance that each attribute is left out, each of shape (n,)."""
    n = len(attributes)
    chance = {name: np.full(n, a("left_out", name)) for name in ATTRIBUTES}
    age = attributes["age_years"].to_numpy(dtype=float)
    chance["age_years"] = np.minimum(chance["age_years"] + a("left_out", "age_years_per_year") * age, 0.9)
    outside = (attributes["kept"] == "outside").to_numpy()
    chance["kept"] = chance["kept"] + a("left_out", "kept_outside_extra") * outside
    return chance


def fault_texts(severity: Severities, fault_ids: list[str]) -> list[str]:
    """One text of `fault_id:severity` pairs a machine."""
    return [
        ";".join(f"{fault_ids[j]}:{SEVERITY_WORDS[row[j]]}" for j in np.flatnonzero(row)) for row in severity
    ]


def round_price(price: Floats, a: Assumptions) -> Floats:
    """Agreed prices are round: whole fives, and whole dollars below 20; never below 5."""
    step = np.where(price < 20.0, 1.0, a("bargain", "step_above_100"))
    return np.asarray(np.maximum(np.round(price / step) * step, 5.0))
