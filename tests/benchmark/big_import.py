"""Time of a large import beside reading it with pandas and inserting it plainly with SQLAlchemy."""

import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmark.figures import Figure, at_most
from valuer.domain.faults import fault_catalogue
from valuer.records.imports import imported, text_of
from valuer.records.store.store import open_store

ROWS = 100_000
NOW = datetime(2026, 6, 1, tzinfo=UTC)
NAMES = (
    "id",
    "drive",
    "deck_width_in",
    "engine_class",
    "tier",
    "age_years",
    "looks",
    "faults",
    "taken_on",
    "paid",
)
SALE = ("sold_on", "price")


def run() -> list[Figure]:
    """The one figure of this file."""
    return [at_most("import of 100,000 rows / pandas and a plain bulk insert", import_time(), 1.5)]


def import_time() -> float:
    """Our time over the plain one; the best of three each, taken in turn."""
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "sales.csv"
        table.write_text(_table(np.random.default_rng(1)))
        plain, ours = [], []
        for number in range(3):
            plain.append(_timed_plain(table, Path(folder) / f"plain{number}.sqlite"))
            ours.append(_timed_ours(table, Path(folder) / f"ours{number}.sqlite"))
    return min(ours) / min(plain)


def _table(rng: np.random.Generator) -> str:
    faults = [fault.id for fault in fault_catalogue().values() if not fault.needs]
    lines = [",".join((*NAMES, *SALE))]
    for number in range(ROWS):
        found = rng.choice(len(faults), rng.integers(0, 5), replace=False)
        told = ";".join(f"{faults[place]}:serious" for place in found)
        drive, looks = ("push", "rear_variable")[number % 2], ("bright", "scuffed", "scarred")[number % 3]
        age, price, day = rng.integers(0, 200) / 10, rng.integers(20, 400), rng.integers(10, 29)
        lines.append(
            f"m{number},{drive},21,mid_ohv,mid,{age},{looks},{told},2024-05-01,20,2025-05-{day},{price}"
        )
    return "\n".join(lines) + "\n"


def _timed_plain(table: Path, file: Path) -> float:
    import pandas as pd  # noqa: PLC0415 - its import is not what is timed
    import sqlalchemy as sa  # noqa: PLC0415

    numbers = {"deck_width_in", "age_years", "paid", "price"}
    start = time.perf_counter()
    frame = pd.read_csv(table)
    engine = sa.create_engine(f"sqlite:///{file}")
    columns = [sa.Column(name, sa.Float if name in numbers else sa.Text) for name in (*NAMES, *SALE)]
    into = sa.Table("sales", sa.MetaData(), *columns)
    into.metadata.create_all(engine)
    with engine.begin() as connection:
        rows: Any = frame.to_dict("records")
        connection.execute(sa.insert(into), rows)
    engine.dispose()
    return time.perf_counter() - start


def _timed_ours(table: Path, file: Path) -> float:
    start = time.perf_counter()
    store = open_store(NOW, str(file))
    found = imported(store, *text_of(str(table)), NOW)
    store.close()
    seconds = time.perf_counter() - start
    if found.added != ROWS:
        raise RuntimeError(f"expected {ROWS} rows, got {found.added}")
    return seconds
