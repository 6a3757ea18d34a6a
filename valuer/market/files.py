"""Writing the synthetic data sets and their datasheet, bit for bit the same for the same seed."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import pandas as pd

from valuer.market.datasheet import datasheet
from valuer.market.listings import listing_table
from valuer.market.sales import draw_sales

SEED = 20261125
N_SALES = 100_000
SALES_FILE = "synthetic_mower_sales.csv.gz"
LISTINGS_FILE = "synthetic_mower_listings.csv"


def write_data(folder: Path, seed: int | None = None) -> list[Path]:
    """Write both data sets and DATASHEET.md into `folder` (made if missing); returns the paths written."""
    seed = SEED if seed is None else seed
    folder.mkdir(parents=True, exist_ok=True)
    sales, listings = draw_sales(N_SALES, seed)[1], listing_table(seed)
    contents = {
        SALES_FILE: packed(csv_text(sales)),
        LISTINGS_FILE: csv_text(listings).encode("utf-8"),
        "DATASHEET.md": datasheet(sales, listings, seed).encode("utf-8"),
    }
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    return [folder / name for name in contents]


def packed(text: str) -> bytes:
    """The text by gzip (RFC 1952), without the time it was made at."""
    return gzip.compress(text.encode("utf-8"), mtime=0)


def csv_text(table: pd.DataFrame) -> str:
    """The table as CSV with plain line ends: unknown is empty, yes and no are words, whole numbers have no point."""
    words = table.map(lambda v: {True: "yes", False: "no"}.get(v, v) if isinstance(v, bool) else v)
    text = io.StringIO()
    words.to_csv(text, index=False, lineterminator="\n", float_format="%g")
    return text.getvalue()
