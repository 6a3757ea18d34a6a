"""The sales table: what a sale leaves on record, with the attributes that sellers leave out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from valuer.market.assumptions import Assumptions, Floats, assumptions
from valuer.market.buyers import Buyers
from valuer.market.stock import ATTRIBUTES, Severities, Stock, can_have, draw_stock

SEVERITY_WORDS = ("", "slight", "serious")
OLDEST_STATED = 40.0
"""Years; the oldest age that a record may hold."""


def draw_sales(
    n: int, seed: int, a: Assumptions | None = None, market: str = "home"
) -> tuple[Stock, pd.DataFrame]:
    """Draw n sales; returns the stock as it truly is and the table as it is recorded, mistakes and all.

    The table has the columns of ATTRIBUTES (missing where the seller did not say), `month`, one column `faults` of
    `fault_id:severity` pairs joined by `;`, `price` in dollars, `market`, and `synthetic`, always 1. The same seed
    gives the same table bit for bit.
    """
    a = a or assumptions()
    rng = np.random.default_rng(seed)
    stock = draw_stock(n, rng, a)
    log_price = Buyers(a).outcomes(stock).draw(rng)
    said = misstate(stock.attributes, rng, a)
    table = leave_out(said, rng, a)
    table.insert(0, "sale_id", [f"synthetic-{seed}-{i:06d}" for i in range(n)])
    table["faults"] = fault_texts(stated_faults(stock, said, rng, a), a.fault_ids)
    table["price"] = round_price(np.exp(log_price + price_mistakes(n, rng, a)), a)
    table["market"] = market
    table["synthetic"] = 1
    return stock, table


def misstate(attributes: pd.DataFrame, rng: np.random.Generator, a: Assumptions) -> pd.DataFrame:
    """What a record says of the attributes: ages and new prices roughly, now and then the tier and drive of another."""
    n, said = len(attributes), attributes.copy()
    age = attributes["age_years"].to_numpy(dtype=float)
    age = age * np.exp(rng.normal(-a("record", "age_younger"), a("record", "age_log_sd"), n))
    said["age_years"] = np.clip(np.round(age, 1), 0.1, OLDEST_STATED)
    new = attributes["new_price"].to_numpy(dtype=float)
    said["new_price"] = (
        np.round(new * np.exp(rng.normal(0.0, a("record", "new_price_log_sd"), n)) / 5.0) * 5.0
    )
    wrong, other = rng.random(n) < a("record", "wrong_class"), rng.permutation(n)
    for name in ("tier", "drive"):
        said[name] = np.where(wrong, attributes[name].to_numpy()[other], attributes[name].to_numpy())
    return said


def stated_chance(tested: Floats, a: Assumptions) -> Floats:
    """Chance that a fault of a machine is on record, by how far it was shown tested; shape (n,)."""
    ends = a("record", "stated_untested"), a("record", "stated_tested")
    return np.asarray(ends[0] + (ends[1] - ends[0]) * tested)


def stated_faults(stock: Stock, said: pd.DataFrame, rng: np.random.Generator, a: Assumptions) -> Severities:
    """The faults that stand on record, shape (n, n_faults), none that a machine as `said` could not have.

    That a machine does not start is always known.
    """
    chance = stated_chance(stock.attributes["tested"].to_numpy(dtype=float), a)
    kept = rng.random(stock.severity.shape) < chance[:, None]
    kept[:, a.fault_ids.index("no_start")] = True
    return np.where(kept & can_have(said, a), stock.severity, 0).astype(np.int8)


def price_mistakes(n: int, rng: np.random.Generator, a: Assumptions) -> Floats:
    """Log of the recorded price over the true one, shape (n,): last asks taken for sales, gifts, noughts, slips."""
    shares, shifts, sds = mistake_law(a)
    which = rng.choice(len(shares), n, p=shares)
    return np.asarray(shifts[which] + sds[which] * rng.normal(size=n))


def mistake_law(a: Assumptions) -> tuple[Floats, Floats, Floats]:
    """Share, log shift and log sd of each kind of mistake in a price, the first none at all; each (n_kinds,)."""
    down, gift, digit, slip = (a("record", name) for name in ("taken_down", "gift", "digit", "slip"))
    law = [
        (1.0 - down - gift - 2 * digit - slip, 0.0, 0.0),
        (down, a("record", "taken_down_log"), 0.12),
        (gift, a("record", "gift_log"), 0.3),
        (digit, np.log(10.0), 0.0),
        (digit, -np.log(10.0), 0.0),
        (slip, 0.0, a("record", "slip_log_sd")),
    ]
    shares, shifts, sds = np.array(law).T
    return shares, shifts, sds


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


def recorded_severity(faults: Sequence[str], fault_ids: list[str]) -> Severities:
    """Texts of a table's `faults` as levels, shape (n, n_faults)."""
    place = {name: i for i, name in enumerate(fault_ids)}
    levels = np.zeros((len(faults), len(fault_ids)), dtype=np.int8)
    for row, text in enumerate(faults):
        for pair in text.split(";") if text else ():
            name, _, word = pair.partition(":")
            levels[row, place[name]] = SEVERITY_WORDS.index(word)
    return levels


def round_price(price: Floats, a: Assumptions) -> Floats:
    """Agreed prices are round: whole fives, and whole dollars below 20; never below 5."""
    step = np.where(price < 20.0, 1.0, a("bargain", "step_above_100"))
    return np.asarray(np.maximum(np.round(price / step) * step, 5.0))
