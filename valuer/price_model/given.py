"""Sales that the user gave to train on: kept in the data folder with their terms, and a card that tells of them."""

from __future__ import annotations

import hashlib
import json
import math
import textwrap
from dataclasses import dataclass
from pathlib import Path

from valuer.paths import data_folder
from valuer.price_model.artifact import write_whole
from valuer.price_model.design import TableError
from valuer.price_model.fit import PriceModel
from valuer.price_model.sales_file import read_bytes, told_name

LONGEST_NAME = 80  # characters of a file's name that stand in answers, in the records and on the card


@dataclass(frozen=True)
class Given:
    """Sales of the user: the file's name and content, and how much an invented sale counts beside one of them."""

    name: str
    sales: bytes
    with_synthetic: float

    @property
    def sha256(self) -> str:
        """Of the file, as any program for it says."""
        return hashlib.sha256(self.sales).hexdigest()


def sales_path() -> Path:
    """Where a copy of the sales stands."""
    return data_folder() / "training_sales.csv"


def terms_path() -> Path:
    """Where it stands what the file was called and how much invented sales count."""
    return data_folder() / "training_terms.json"


def card_path() -> Path:
    """Where the card of the model stands that was trained on them."""
    return data_folder() / "training_card.md"


def check_weight(with_synthetic: float) -> None:
    """Raise TableError unless an invented sale counts from 0 to less than a real one."""
    if not (math.isfinite(with_synthetic) and 0.0 <= with_synthetic < 1.0):
        msg = (
            "weight of the invented sales: expected a number from 0 (they are left out) to below 1 "
            f"(a real sale counts 1), got {with_synthetic:g}"
        )
        raise TableError(msg)


def read(path: Path, with_synthetic: float) -> Given:
    """The sales of a file; raises TableError where it cannot be read."""
    return Given(told_name(path)[:LONGEST_NAME], read_bytes(path), with_synthetic)


def in_force() -> Given | None:
    """What was given last; nothing where the shipped sales are in force. Terms of another file are not believed."""
    if not sales_path().exists():
        return None
    alone = Given(sales_path().name, read_bytes(sales_path()), 0.0)
    try:
        terms = json.loads(terms_path().read_text("utf-8"))
        if terms["sha256"] != alone.sha256:
            return alone
        told = Given(str(terms["name"])[:LONGEST_NAME], alone.sales, float(terms["with_synthetic"]))
        check_weight(told.with_synthetic)
    except (OSError, ValueError, KeyError, TypeError):
        return alone
    return told


def put_in_force(data: Given) -> None:
    """Keep the sales and their terms, each file whole; the sales last, as they are what is in force."""
    terms = {"name": data.name, "sha256": data.sha256, "with_synthetic": data.with_synthetic}
    write_whole(terms_path(), (json.dumps(terms, indent=1) + "\n").encode())
    write_whole(sales_path(), data.sales)


def forget() -> None:
    """Go back to the shipped sales."""
    for path in (sales_path(), terms_path(), card_path()):
        path.unlink(missing_ok=True)


def keep_card(data: Given, model: PriceModel) -> None:
    """Write the card of a model that was just trained on these sales."""
    write_whole(card_path(), card_of(data, model).encode())


def card_in_force() -> str | None:
    """The card of the sales in force; nothing where the shipped ones are, or where it tells of other sales."""
    data = in_force()
    if data is None or not card_path().exists():
        return None
    card = card_path().read_text("utf-8")
    return card if data.sha256 in card else None


def card_of(data: Given, model: PriceModel) -> str:
    """Markdown of the card: limits first, then what the file is, then how far off it was on sales held out."""
    held_out, inside = model.held_out, model.interval.held_out
    few = FEW if held_out.rows < FEW_ROWS and not data.with_synthetic else ""
    mixed = MIXED.format(weight=f"{data.with_synthetic:g}") if data.with_synthetic else ALONE
    name = data.name.replace("`", "'").replace("|", "/")
    return CARD.format(
        name=name,
        sha256=data.sha256,
        rows=f"{held_out.rows:,}",
        first=textwrap.fill(FIRST.format(mixed=mixed, few=few), 118),
        weight=f"{data.with_synthetic:g}" if data.with_synthetic else "0: left out",
        median=f"{held_out.median_error:.1%}",
        log_error=f"{held_out.log_error:.3f}",
        inside=f"{inside:.1%}",
        wanted=f"{model.coverage:.0%}",
    )


FEW_ROWS = 600
"""Sales below which the width of intervals is one for all machines (see `interval`)."""

FEW = (
    " It has few sales: most faults show on a handful or on none, a fault without a sale counts as costing nothing, "
    "and the interval is as wide for one machine as for another."
)
ALONE = "It rests on this file alone; nothing of the invented market is in its values."
MIXED = (
    "Each sale of the invented market was counted as {weight} of a sale of this file. Where the file says little, what "
    "you read is the invented market, at its own price level, so answers still say that they rest on invented data."
)

FIRST = (
    "**Read this first.** This card was written by the training itself; nobody has looked at the file. {mixed}{few} "
    "The figures below come from the same file, so they say how the model does on machines, places and times like "
    "those in it, and on no others. It is not for insurance, not for tax, not for disputes, and it says nothing about "
    "whether a machine is safe."
)

CARD = """# Model card: resale value, trained on `{name}`

{first}

## Training data

| | |
|---|---|
| file | `{name}` |
| SHA-256 of the file | `{sha256}` |
| sales in it | {rows} |
| weight of an invented sale beside one of them | {weight} |

The file was checked for its columns, words and ranges, not for its truth. How listings sell is learned from invented
listings, whatever the values rest on.

## How far off

In five-fold cross-validation on the sales of the file (each priced by a fit that had not seen it; how many trees there
are was chosen on the same folds):

| figure | measured | wanted |
|---|---|---|
| median error of the price | {median} | - |
| root mean square error of the log price | {log_error} | - |
| held-out sales inside their {wanted} interval | {inside} | {wanted} |

## Laws kept by construction

No fault adds value, a worse severity never costs less, an older machine is never worth more.

`valuer card --shipped` prints the card of the model as it is shipped; `valuer train` alone goes back to it.
"""
