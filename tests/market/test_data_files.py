"""The shipped data are what the simulator writes today, bit for bit, and say that they are synthetic."""

import gzip
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from valuer.market.files import SEED, write_data
from valuer.market.sales import draw_sales
from valuer.paths import shipped
from valuer.price_model.place_prior import FILE
from valuer.price_model.places import taught


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the data written anew."""
    folder = tmp_path_factory.mktemp("data") / "made"
    write_data(folder)
    return folder


def unpacked(file: Path) -> bytes:
    """What a file holds: another version of the packing library may pack the same otherwise."""
    return gzip.decompress(file.read_bytes()) if file.suffix == ".gz" else file.read_bytes()


@pytest.mark.parametrize(
    "name", ["synthetic_mower_sales.csv.gz", "synthetic_mower_listings.csv", "DATASHEET.md"]
)
def test_shipped_data_are_not_stale(written: Path, name: str) -> None:
    fresh, kept = (unpacked(folder / name) for folder in (written, shipped("datasets")))
    assert fresh == kept, f"run `valuer data` and commit datasets/{name}"


def test_the_same_seed_gives_the_same_table_and_another_seed_another() -> None:
    one, again, other = (draw_sales(200, seed)[1] for seed in (5, 5, 6))
    pd.testing.assert_frame_equal(one, again, check_exact=True)
    assert (one["price"] != other["price"]).any()


def test_every_row_says_that_it_is_synthetic(written: Path) -> None:
    for name in ("synthetic_mower_sales.csv.gz", "synthetic_mower_listings.csv"):
        assert (pd.read_csv(written / name)["synthetic"] == 1).all()


def test_every_sale_has_an_id_of_its_own(written: Path) -> None:
    sales = pd.read_csv(written / "synthetic_mower_sales.csv.gz")
    assert len(sales) == sales["sale_id"].nunique() == 100_000


def test_the_datasheet_follows_the_seven_questions_and_counts_the_file(written: Path) -> None:
    # Gebru et al., Datasheets for Datasets, Communications of the ACM 64(12), 2021: seven sections.
    sheet = (written / "DATASHEET.md").read_text("utf-8")
    sections = [
        "Motivation",
        "Composition",
        "Collection process",
        "Preprocessing",
        "Uses",
        "Distribution",
        "Maintenance",
    ]
    places = [sheet.find(f"## {i}. {name}") for i, name in enumerate(sections, start=1)]
    assert places == sorted(places)
    assert places[0] > 0
    sales = pd.read_csv(written / "synthetic_mower_sales.csv.gz", keep_default_na=False)
    dead = sales["faults"].str.contains("no_start:").mean()
    assert f"{dead:.1%} do not start" in sheet
    assert f"seed {SEED}" in sheet


def test_what_the_shipped_population_teaches_is_not_stale() -> None:
    """The same to two digits: solvers of other library versions may differ in the last ones."""
    kept, fresh = json.loads(shipped(FILE).read_text("utf-8")), taught(SEED)
    assert kept["synthetic"] is True
    assert (kept["terms"], kept["markets"]) == (fresh["terms"], fresh["markets"])
    assert np.allclose(kept["sd"], fresh["sd"], atol=0.01), "run `valuer data` and commit datasets"
    assert np.allclose(kept["misfit"], fresh["misfit"], atol=0.005)
