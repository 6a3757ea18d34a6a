"""Sales that the user gives to train on stay in force until the synthetic ones are asked for again."""

from pathlib import Path

import pytest

from valuer import paths
from valuer.cli import main
from valuer.market.files import csv_text
from valuer.market.sales import draw_sales
from valuer.price_model import load_or_train, train, training


@pytest.fixture
def given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small file of sales of the user's own, folders of their own, and a small file in place of the shipped one."""
    shipped, own = tmp_path / "shipped_sales.csv", tmp_path / "own.csv"
    shipped.write_text(csv_text(draw_sales(200, 4)[1]), "utf-8")
    own.write_text(csv_text(draw_sales(250, 5)[1]), "utf-8")
    whole = paths.shipped
    monkeypatch.setattr(training, "shipped", lambda name: shipped if "sales" in name else whole(name))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return own


def test_given_sales_are_what_later_questions_rest_on(given: Path) -> None:
    """Training that later answers ignored would be a trap; asking for the synthetic sales goes back."""
    own = train(given)
    assert not own.basis.synthetic
    assert load_or_train().basis == own.basis
    given.unlink()
    assert load_or_train().basis == own.basis, "a copy is kept, the file may go"
    assert train().basis.synthetic
    assert load_or_train().basis.synthetic


def test_sales_that_are_refused_leave_the_model_in_force_as_it_was(
    given: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing half-done is kept: the row and the column are named, and the old sales stay."""
    before = train(given).basis
    lines = given.read_text("utf-8").splitlines()
    spoilt = given.with_name("spoilt.csv")
    month = lines[0].split(",").index("month")
    cells = lines[3].split(",")
    cells[month] = "14"
    spoilt.write_text("\n".join([*lines[:3], ",".join(cells), *lines[4:]]), "utf-8")
    with pytest.raises(SystemExit) as end:
        main(["train", "--sales", str(spoilt)])
    assert end.value.code == 2
    assert "valuer: spoilt.csv: row 4, column month: expected 1 to 12, got 14" in capsys.readouterr().err
    assert load_or_train().basis == before
