"""The listing histories: what sellers ask week by week, what they are offered, and how it ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from valuer.market.assumptions import Assumptions, Floats, assumptions
from valuer.market.sales import fault_texts, round_price
from valuer.market.stock import Severities, Stock, draw_stock
from valuer.market.visitors import Visitors, visitors_of

LISTINGS = 4000
DAYS_IN_MONTH, DAYS_IN_YEAR = 30.42, 365.0
RANGE_80 = 1.2816  # standard normal quantile at .9
MOST_VISITORS = 12  # a week; more than this many would-be buyers come about once in a million weeks
SMALL_ASK, LARGE_ASK = 20.0, 200.0  # below and above which asks are written in ones and in tens
SILLY = 0.5  # offers below this share of the ask are not written down


@dataclass(frozen=True)
class Sellers:
    """What n sellers believe and intend; each of shape (n,), logs of money or of ratios.

    town: how the place differs; error: stated value beside the worth; sd: of the price round the stated
    value.
    """

    town: Floats
    error: Floats
    sd: Floats
    ask: Floats
    least: Floats
    first_day: Floats
    record_weeks: Floats


def listing_table(seed: int) -> pd.DataFrame:
    """The listing histories of the data set, bit for bit the same for the same seed."""
    return draw_listings(LISTINGS, seed)[1]


def draw_listings(n: int, seed: int, a: Assumptions | None = None) -> tuple[Visitors, pd.DataFrame]:
    """Draw n listings; returns who came, and the table as it is recorded, one row a week.

    Columns: `listing_id`, `week` (1 is the first), `month`, `ask`, `least_to_take` of that week, `value` with
    `value_low` and `value_high` (what the seller believed it would fetch in that month, with an 80 % range),
    `faults`, `offers` joined by `;`, `outcome` of the week (open, sold, withdrawn), `sale_price` where sold,
    and `synthetic`, always 1. A listing whose last row is open was still unsold when the record ended.
    """
    a = a or assumptions()
    rng = np.random.default_rng([seed, 4])
    stock = draw_stock(n, rng, a)
    visitors = visitors_of(stock, a)
    sellers = _draw_sellers(stock, visitors, rng, a)
    weeks = _run_weeks(visitors, sellers, rng, a)
    table = pd.concat(weeks).sort_values(["listing", "week"], kind="stable").reset_index(drop=True)
    return visitors, _as_recorded(table, stock.severity, seed, a)


def month_of_day(day: Floats) -> npt.NDArray[np.intp]:
    """Month, 1 to 12, of a day counted from the first of January on."""
    return np.asarray((day % DAYS_IN_YEAR) // DAYS_IN_MONTH, dtype=np.intp) + 1


def _draw_sellers(stock: Stock, visitors: Visitors, rng: np.random.Generator, a: Assumptions) -> Sellers:
    n = len(stock)
    month = stock.attributes["month"].to_numpy()
    month = np.where(rng.random(n) < a("listing", "listed_any_month"), rng.integers(1, 13, n), month)
    error_sd = a("listing", "value_error") * np.exp(rng.normal(0.0, a("listing", "value_error_spread"), n))
    wish = rng.normal(np.log(a("listing", "ask_over_value")), a("listing", "ask_log_sd"), n)
    kind = rng.random(n)
    wish = np.where(kind < a("listing", "dreams"), np.log(rng.uniform(1.35, 1.9, n)), wish)
    wish = np.where(kind > 1.0 - a("listing", "hurries"), np.log(rng.uniform(0.65, 0.85, n)), wish)
    return Sellers(
        town=rng.normal(0.0, a("bargain", "town_log_sd"), n),
        error=rng.normal(0.0, 1.0, n) * error_sd,
        sd=np.sqrt(visitors.price_variance[np.arange(n), month - 1] + error_sd**2),
        ask=wish,
        least=rng.normal(np.log(a("listing", "least_over_value")), a("listing", "least_log_sd"), n),
        first_day=(month - 1 + rng.random(n)) * DAYS_IN_MONTH,
        record_weeks=np.ceil(rng.random(n) * a("listing", "longest_record")),
    )


def _run_weeks(
    visitors: Visitors, sellers: Sellers, rng: np.random.Generator, a: Assumptions
) -> list[pd.DataFrame]:
    row = np.arange(len(sellers.ask))
    first = visitors.worth[row, month_of_day(sellers.first_day) - 1] + sellers.error
    ask = round_ask(np.exp(first + sellers.ask))
    weeks = []
    for week in range(1, int(a("listing", "longest_record")) + 1):
        month = month_of_day(sellers.first_day[row] + 7.0 * (week - 1))
        value = visitors.worth[row, month - 1] + sellers.error[row]
        least = np.minimum(np.exp(value + sellers.least[row] - a("listing", "least_falls") * (week - 1)), ask)
        offers, price = _meet(visitors, row, month, week, ask, least, sellers.town[row], rng)
        withdrawn = np.isnan(price) & (rng.random(len(row)) < a("listing", "withdrawn_a_week"))
        outcome = np.select([~np.isnan(price), withdrawn], ["sold", "withdrawn"], "open")
        weeks.append(
            pd.DataFrame(
                {
                    "listing": row,
                    "week": week,
                    "month": month,
                    "ask": ask,
                    "least": least,
                    "value": value,
                    "sd": sellers.sd[row],
                    "offers": offers,
                    "outcome": outcome,
                    "price": price,
                }
            )
        )
        stays = (outcome == "open") & (week < sellers.record_weeks[row])
        row, ask = row[stays], _cut(ask[stays], rng, a)
    return weeks


def _meet(
    visitors: Visitors,
    row: npt.NDArray[np.intp],
    month: npt.NDArray[np.intp],
    week: int,
    ask: Floats,
    least: Floats,
    town: Floats,
    rng: np.random.Generator,
) -> tuple[list[str], Floats]:
    """Let the visitors of one week come; returns their offers as texts, and the sale price or NaN."""
    a, size = visitors.a, (len(row), MOST_VISITORS)
    coming = rng.poisson(visitors.visits(row, month, np.asarray(week), np.log(ask), town))
    there = np.arange(MOST_VISITORS) < coming[:, None]
    share = np.cumsum(visitors.chance[row, month - 1], axis=1)
    kind = np.minimum((share[:, None, :] < rng.random(size)[:, :, None]).sum(axis=2), share.shape[1] - 1)
    middle = np.take_along_axis(visitors.middle[row, month - 1], kind, axis=1)
    shift = visitors.limit_shift(np.asarray(week)) + town
    limit = np.exp(middle + shift[:, None] + visitors.spread[kind] * rng.normal(size=size))
    off = rng.uniform(a("listing", "haggle_least"), a("listing", "haggle_most"), size)
    off = np.where(rng.random(size) < a("listing", "pays_the_ask"), 0.0, off)
    offer = np.minimum(limit, ask[:, None] * (1.0 - off))
    final = np.where(there & (limit >= least[:, None]), np.maximum(offer, least[:, None]), 0.0).max(axis=1)
    offer = np.where(there & (offer >= SILLY * ask[:, None]), round_price(offer, a), 0.0)
    offers = [
        ";".join(f"{x:g}" for x in np.minimum(line[line > 0], top))
        for line, top in zip(offer, ask, strict=True)
    ]
    price = np.minimum(round_price(final, a), ask)
    return offers, np.where(final > 0, price, np.nan)


def _cut(ask: Floats, rng: np.random.Generator, a: Assumptions) -> Floats:
    share = rng.uniform(a("listing", "cut_least"), a("listing", "cut_most"), len(ask))
    cuts = rng.random(len(ask)) < a("listing", "cuts_a_week")
    return np.where(cuts, round_ask(ask * (1.0 - share)), ask)


def round_ask(ask: Floats) -> Floats:
    """Asks as people write them: fives up to 200, tens above; whole money below 20."""
    step = np.select([ask < SMALL_ASK, ask < LARGE_ASK], [1.0, 5.0], 10.0)
    return np.asarray(np.maximum(np.round(ask / step) * step, 5.0))


def _as_recorded(table: pd.DataFrame, severity: Severities, seed: int, a: Assumptions) -> pd.DataFrame:
    texts = np.array(fault_texts(severity, a.fault_ids), dtype=object)
    listing = table["listing"].to_numpy()
    value, sd = table["value"].to_numpy(), table["sd"].to_numpy()
    return pd.DataFrame(
        {
            "listing_id": [f"synthetic-{seed}-{i:06d}" for i in listing],
            "week": table["week"],
            "month": table["month"],
            "ask": table["ask"],
            "least_to_take": np.round(table["least"], 2),
            "value": np.round(np.exp(value), 2),
            "value_low": np.round(np.exp(value - RANGE_80 * sd), 2),
            "value_high": np.round(np.exp(value + RANGE_80 * sd), 2),
            "faults": texts[listing],
            "offers": table["offers"],
            "outcome": table["outcome"],
            "sale_price": table["price"],
            "synthetic": 1,
        }
    )
