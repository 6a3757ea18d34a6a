"""Absurd prices in a file of sales are named and counted for little; another money is said. Prices are invented."""

import re

import numpy as np
import pandas as pd
import pytest

from valuer.advice.ports import Basis
from valuer.market.assumptions import Assumptions, assumptions
from valuer.market.sales import draw_sales
from valuer.price_model.doubts import Doubts, doubts
from valuer.price_model.mower import MowerModel, model_table, train_mower_model
from valuer.price_model.troubles import all_told

ROWS = 300
BASIS = Basis(model="test", data_sha256="0" * 64, synthetic=True, own_sales=0)


@pytest.fixture(scope="module")
def sales() -> pd.DataFrame:
    """Sales as a file has them, under the numbers of its rows; nobody gave one away or slipped by a nought."""
    careful = assumptions().raw
    record = {
        **careful["record"],
        **{k: {**careful["record"][k], "value": 0.0} for k in ("gift", "digit", "slip")},
    }
    table = draw_sales(ROWS, 5150, Assumptions({**careful, "record": record}))[1]
    return table.set_axis(range(2, ROWS + 2))


def spoilt(sales: pd.DataFrame, times: dict[int, float]) -> pd.DataFrame:
    """The same with some prices so many times as high, by the file's row."""
    factors = [times.get(row, 1.0) for row in sales.index]
    return sales.assign(price=sales["price"] * factors)


def of(sales: pd.DataFrame, model: MowerModel) -> Doubts:
    return doubts(sales, model)


def test_an_ordinary_file_is_not_doubted(sales: pd.DataFrame, mower_model: MowerModel) -> None:
    found = of(sales, mower_model)
    assert found.found == ()
    assert not found.any


def test_absurd_prices_are_named_by_row_the_worst_first(sales: pd.DataFrame, mower_model: MowerModel) -> None:
    """One in a hundred a hundred times too high, and one that lost two noughts."""
    times = {17: 100.0, 99: 100.0, 202: 100.0, 250: 0.004}
    found = of(spoilt(sales, times), mower_model)
    rows = [odd.row for odd in found.found]
    assert set(rows) == set(times)
    assert rows[0] == 250, "a factor of 250 is further than one of 100"
    assert set(sales.index[found.counts < 1.0]) == set(times)
    assert all(odd.says.startswith(f"row {odd.row}, price ") for odd in found.found)
    assert all("correct it, or take the row out" in odd.says for odd in found.found)


@pytest.mark.parametrize("level", [0.04, 7.0])
def test_another_money_or_century_is_said_with_its_level(
    sales: pd.DataFrame, mower_model: MowerModel, level: float
) -> None:
    """Nothing is doubted for it: all stand alike."""
    money = {name: sales[name] * level for name in ("price", "new_price")}
    (line,) = of(sales.assign(**money), mower_model).found
    told = float(re.search(r"price level ([\d.]+),", line.says)[1])  # type: ignore[index]
    assert told == pytest.approx(level, rel=0.3)


def test_new_prices_of_another_century_are_said(sales: pd.DataFrame, mower_model: MowerModel) -> None:
    """What a machine cost new in the old money stands below what a used one brings now."""
    (line,) = of(sales.assign(new_price=sales["new_price"] / 40), mower_model).found
    known = int(sales["new_price"].notna().sum())
    assert re.match(
        rf"column new_price: in \d+ of {known} rows the used machine was sold for more", line.says
    )


def test_many_such_rows_take_one_line(sales: pd.DataFrame, mower_model: MowerModel) -> None:
    found = of(spoilt(sales, dict.fromkeys(range(10, 25), 300.0)), mower_model).found
    line = all_told("mine.csv", found, "things to look at")
    assert line.startswith("mine.csv: 15 things to look at: row ")
    assert re.search(r"\(so in rows (\d+, ){4}\d+ and 9 more\)", line)
    assert len(all_told("mine.csv", found, "things to look at", full=True).splitlines()) == 15


def test_few_sales_and_a_missing_model_doubt_nothing(sales: pd.DataFrame, mower_model: MowerModel) -> None:
    few = spoilt(sales, {5: 1000.0}).head(19)
    assert of(few, mower_model).found == ()
    assert doubts(spoilt(sales, {5: 1000.0}), None).found == ()


def test_doubted_prices_move_values_little(sales: pd.DataFrame, mower_model: MowerModel) -> None:
    """Believed, one sale in a hundred at a hundred times its price moves the usual value by log(100) / 100 = 4.6 %."""
    absurd = spoilt(sales, dict.fromkeys((20, 120, 220), 100.0))

    def values(rows: pd.DataFrame, counts: np.ndarray | None) -> np.ndarray:
        model = train_mower_model(rows.reset_index(drop=True), BASIS, counts=counts).price_model
        return model.log_value(model.rows(model_table(sales.reset_index(drop=True))))

    without = values(sales, None)
    believed, doubted = (
        np.abs(values(absurd, counts) - without).mean() for counts in (None, of(absurd, mower_model).counts)
    )
    assert doubted < 0.25 * believed
