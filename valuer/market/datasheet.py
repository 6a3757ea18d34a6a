"""The datasheet of the synthetic data sets, in the seven sections of Gebru et al. 2021, counted from the tables."""

from __future__ import annotations

import pandas as pd

from valuer.market.assumptions import assumptions
from valuer.market.stock import ATTRIBUTES


def datasheet(sales: pd.DataFrame, listings: pd.DataFrame, seed: int) -> str:
    """Markdown text; every figure in it is counted from the tables or read from the assumptions."""
    a = assumptions()
    counts = fault_counts(sales)
    rare = ", ".join(f"`{name}` {n}" for name, n in counts.head(6).items())
    common = ", ".join(f"`{name}` {n}" for name, n in counts.tail(6).items())
    unknown = sales[list(ATTRIBUTES)].isna().mean()
    pairs = ", ".join(p["name"] for p in a.raw["pair"])
    ends = listings.groupby("listing_id")["outcome"].last().value_counts()
    return f"""# Datasheet: synthetic mower sales and listings

**Everything in these files is synthetic: drawn by a simulator from assumptions, not observed.** No row is a sale that
took place. The sections follow Gebru et al., *Datasheets for Datasets* (Communications of the ACM 64(12), 2021).
This file is written by `valuer data`; change `valuer/market/datasheet.py`, not this text.

## 1. Motivation

No open data of private sales of used walk-behind mowers, nor of what a fault takes off their price, was found. The
files exist so that a model of such prices can be built, shown and measured against a known truth before its user has
sales of their own. They were made by the maintainers of this project, without outside money.

## 2. Composition

`synthetic_mower_sales.csv.gz` (CSV packed by gzip): {len(sales):,} sales, one a row. Columns: `sale_id`; the attributes {", ".join(f"`{n}`" for n in ATTRIBUTES)}
as the seller states them, empty where not stated (`tested` is the share of what can be tested that was shown tested);
`month` of the sale (1 to 12); `faults`, pairs `fault_id:slight` or `fault_id:serious` joined by `;`; `price`, the price
on record in US dollars at price level 1; `market`, which invented market it is; `synthetic`, always 1.

- Median price {sales["price"].median():.0f}, middle 80 % from {sales["price"].quantile(0.1):.0f} to {sales["price"].quantile(0.9):.0f}.
- Faults a machine: mean {sales["faults"].map(lambda t: len(t.split(";")) if t else 0).mean():.2f}; {(sales["faults"] == "").mean():.1%} have none;
  {sales["faults"].str.contains("no_start:").mean():.1%} do not start.
- Rarest faults (rows): {rare}. Most common: {common}. `recall_open` never occurs: such a machine may not be sold.
- Not stated: {", ".join(f"`{n}` {share:.0%}" for n, share in unknown.items() if share > 0)}. What is unflattering is left out more
  often: age grows with age, `kept` is left out more by those who kept it outside.
- The records err as records do, and no row says so: ages by a sixth of the age, {a("record", "wrong_class"):.0%} with the tier and drive of another
  machine, faults that nobody stated (of a machine shown untested {1 - a("record", "stated_untested"):.0%}), {a("record", "taken_down"):.0%} of the sales were none and the price
  is the last ask, {a("record", "gift"):.1%} went to friends for next to nothing, {a("record", "slip") + 2 * a("record", "digit"):.1%} of the prices are slips of the pen.
- Three pairs of faults ({pairs}) are over-sampled: about {a("stock", "paired_share"):.1%} of rows are
  made to carry each. Without that their joint effect could not be learned from a file of this size.

`synthetic_mower_listings.csv`: {listings["listing_id"].nunique():,} listings over {len(listings):,} listing weeks, one week a row, with the
ask, offers, cuts, what the seller thinks it is worth, and how the week ended: sold, still open, or withdrawn. At the
end {", ".join(f"{n:,} {word}" for word, n in ends.items())}; unsold ones are censored, not missing. `synthetic` is always 1.

There are no people in these files, no places, no makers and no models.

## 3. Collection process

Drawn with seed {seed} by `valuer/market`. Machines get a class, attributes, use a year, age (survivors of a cohort, US
EPA NONROAD scrappage), wear, neglect, and faults whose odds follow from those. Kinds of buyer with limits of their own
take money and shares off, some leave, and one of them buys; noise and rounding come on top. What the simulator
believes stands in `valuer/market/assumptions.toml`, each figure with value, unit, range and mark; most marks read
"common practice, no source". The same seed gives the same files bit for bit (a test checks the sales).

## 4. Preprocessing, cleaning, labelling

Prices are rounded to whole fives, and to whole dollars below 20. Faults that only show on a running machine are blank on one
that does not start. Nothing else is cleaned. The true expected price is not in the files: `valuer.market.truth` tells it.

## 5. Uses

For training and measuring the price model of this project, and for teaching. **Not** evidence about real prices: levels,
fault costs and days to sell are assumptions that come back out. Do not use them for insurance, tax, or to show that a
price was fair. A model trained on them needs the user's own sales before its level means anything.

## 6. Distribution

With the source code and inside the wheel, MIT licence, no personal data.

## 7. Maintenance

By the maintainers of the project, with the simulator: a change of an assumption changes the files, the model card and
this sheet in one commit. Errors are reported as issues of the project.
"""


def fault_counts(sales: pd.DataFrame) -> pd.Series:
    """Rows that show each fault, fewest first."""
    pairs = sales["faults"].str.split(";").explode()
    return pairs[pairs.fillna("") != ""].str.split(":").str[0].value_counts().sort_values(kind="stable")
