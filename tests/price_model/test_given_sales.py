"""Sales that the user gives to train on stay in force until the synthetic ones are asked for again."""

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from valuer import paths
from valuer.cli import main
from valuer.market.files import csv_text, packed
from valuer.market.sales import draw_sales
from valuer.price_model import artifact, load_or_train, train, training
from valuer.price_model import given as given_room
from valuer.price_model.design import TableError
from valuer.price_model.fit import told_apart
from valuer.price_model.hedonic import fit_linear
from valuer.price_model.interval import conformal_end, held_out_coverage
from valuer.price_model.mower import MowerModel


@pytest.fixture
def given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fitted_once: None) -> Path:
    """A small file of sales of the user's own, folders of their own, and small files in place of the shipped ones."""
    shipped, own = tmp_path / "shipped_sales.csv.gz", tmp_path / "own.csv"
    shipped.write_bytes(packed(csv_text(draw_sales(200, 4)[1])))
    own.write_text(csv_text(draw_sales(250, 5)[1]), "utf-8")
    whole = paths.shipped
    monkeypatch.setattr(training, "shipped", lambda name: shipped if "sales" in name else whole(name))
    monkeypatch.setattr(artifact, "SHIPPED", tmp_path / "resale_value.npz")
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


def in_force() -> str:
    """What `valuer card` prints of given sales."""
    card = given_room.card_in_force()
    assert card is not None
    return card


def test_synthetic_rows_beside_given_sales_are_told_and_stay_in_force(given: Path) -> None:
    """Values that rest on invented sales in part must say so, and for how much those count."""
    basis = train(given, with_synthetic=0.25).basis
    assert basis.synthetic, "answers then warn that they rest on an invented market"
    assert basis.model.endswith("on own.csv with invented sales at weight 0.25")
    assert basis.own_sales == 250
    given.unlink()
    assert load_or_train().basis == basis


def test_only_the_first_of_the_invented_sales_stand_beside_given_ones(
    given: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows: list[int] = []
    fit = training.train_mower_model  # type: ignore[attr-defined]

    def counted(table: pd.DataFrame, *how: object) -> MowerModel:
        rows.append(len(table))
        return fit(table, *how)  # type: ignore[arg-type]

    monkeypatch.setattr(training, "LENT", 30)
    monkeypatch.setattr(training, "train_mower_model", counted)
    train(given, with_synthetic=0.25)
    assert rows == [250 + 30]


def test_weight_0_is_the_file_alone(given: Path) -> None:
    """A weight of nothing must leave nothing of the invented market in any value."""
    alone, nothing = train(given), train(given, with_synthetic=0.0)
    assert alone.basis == nothing.basis
    assert not nothing.basis.synthetic
    base, other = alone.price_model.base, nothing.price_model.base
    assert np.array_equal(base.losses, other.losses)  # type: ignore[union-attr]
    assert np.array_equal(base.slopes, other.slopes)


def test_the_more_the_invented_sales_count_the_more_the_values_are_theirs(given: Path) -> None:
    """Own prices are put at three times the invented ones; the usual value must come down as the weight goes up."""
    lines = given.read_text("utf-8").splitlines()
    price = lines[0].split(",").index("price")
    cells = [line.split(",") for line in lines[1:]]
    dear = [[*row[:price], f"{3 * float(row[price]):.2f}", *row[price + 1 :]] for row in cells]
    given.write_text("\n".join([lines[0], *(",".join(row) for row in dear)]), "utf-8")
    middles = [_usual_log_price(train(given, with_synthetic=weight)) for weight in (0.0, 0.05, 0.9)]
    assert middles == sorted(middles, reverse=True)
    # At 0 the file alone; at .9, 200 invented rows beside 250 own ones weigh 180 to 250: log 3 falls by about .4 of it.
    assert middles[0] - middles[2] == pytest.approx(np.log(3) * 180 / 430, abs=0.12)


def _usual_log_price(model: MowerModel) -> float:
    """Log value of the mean row without faults."""
    price = model.price_model
    sound = told_apart(np.zeros((1, len(price.columns.flags))), price.named)
    return float(price.base.log_price(price.usual[None, :], sound)[0])


@pytest.mark.parametrize("weight", ["-0.1", "nan", "inf", "1", "much", ""])
def test_a_weight_that_is_none_is_refused_in_one_line(
    given: Path, weight: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """An invented sale counts less than a real one, and a NaN is no weight; nothing is trained or kept."""
    with pytest.raises(SystemExit) as end:
        main(["train", "--sales", str(given), f"--with-synthetic={weight}"])
    assert end.value.code == 2
    said = capsys.readouterr().err
    assert "--with-synthetic" in said
    assert len(said.strip().splitlines()) == 1
    assert not given_room.sales_path().exists()


@pytest.mark.parametrize("weight", [-0.1, float("nan"), float("inf"), 1.0])
def test_whoever_calls_the_training_gets_the_same_refusal(given: Path, weight: float) -> None:
    with pytest.raises(TableError, match="expected a number from 0"):
        train(given, with_synthetic=weight)


def test_a_weight_without_own_sales_is_refused(given: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["train", "--with-synthetic", "0.5"])
    assert end.value.code == 2
    assert "give --sales FILE too" in capsys.readouterr().err


def test_the_card_says_what_the_file_is_and_its_limits_first(
    given: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A figure that cannot be traced to a file is no figure; the hash is that of any program for it."""
    train(given, with_synthetic=0.25)
    with pytest.raises(SystemExit):
        main(["card"])
    card = capsys.readouterr().out
    assert "Read this first" in card[:200]
    opening = " ".join(card[:1000].split())
    for word in ("nobody has looked at the file", "0.25 of a sale", "not for insurance", "safe"):
        assert word in opening
    assert f"| file | `{given.name}` |" in card
    assert f"`{hashlib.sha256(given.read_bytes()).hexdigest()}`" in card
    assert "| sales in it | 250 |" in card
    assert "| weight of an invented sale beside one of them | 0.25 |" in card
    assert "held-out sales inside their 80% interval" in card


def test_the_card_of_the_file_goes_with_it(given: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The shipped card tells of another model; each stands for what is in force, and `--shipped` for the other."""
    train(given)
    assert "It rests on this file alone" in " ".join(in_force().split())
    with pytest.raises(SystemExit):
        main(["card", "--shipped"])
    assert "trained on invented data" in capsys.readouterr().out
    with pytest.raises(SystemExit, match="2"):
        main(["card", "--pictures", str(given.parent / "pictures")])
    assert "add --shipped" in capsys.readouterr().err
    assert not (given.parent / "pictures").exists()
    train()
    assert given_room.card_in_force() is None
    assert not given_room.card_path().exists()


def test_terms_of_another_file_are_not_believed(given: Path) -> None:
    """Whoever puts another file in the place of the kept one gets that file, alone, and no card of the old one."""
    train(given, with_synthetic=0.25)
    other = given.read_bytes().replace(b"\n", b"\r\n")
    given_room.sales_path().write_bytes(other)
    data = given_room.in_force()
    assert data is not None
    assert (data.with_synthetic, data.name) == (0.0, "training_sales.csv")
    assert given_room.card_in_force() is None


def test_held_out_figures_are_those_of_the_file_not_of_the_invented_rows(given: Path) -> None:
    held_out = train(given, with_synthetic=0.25).price_model.held_out
    assert held_out.rows == 250
    # The simulator's own spread between sales of one machine is .2 to .4 in logs; a fit on 250 rows is no better.
    assert 0.2 < held_out.log_error < 1.0
    assert 0.1 < held_out.median_error < 0.6


def test_counted_scores_give_the_end_of_so_many_whole_ones() -> None:
    """Two scores that count half each are one: by hand, ranks of 19 scores at miss .1 are 18."""
    scores = np.arange(19.0)
    assert conformal_end(scores, 0.1, np.ones(19)) == conformal_end(scores, 0.1) == 17.0
    assert conformal_end(np.repeat(scores, 2), 0.1, np.full(38, 0.5)) == 17.0


def test_held_out_coverage_is_near_what_is_wanted_on_scores_of_one_kind() -> None:
    score = np.random.default_rng(3).normal(size=2000)
    assert held_out_coverage(score, 0.8) == pytest.approx(0.8, abs=0.03)
    counts = np.concatenate([np.ones(500), np.full(1500, 0.1)])
    wide = np.concatenate([score[:500], score[500:] / 10])
    assert held_out_coverage(wide, 0.8, counts) < 0.8, (
        "the narrow invented rows pull the ends in; the own rows tell"
    )


def test_a_row_that_counts_half_twice_is_a_row() -> None:
    """Weighted least squares by its definition: every row twice at one half gives the same line."""
    rng = np.random.default_rng(4)
    x, flags = rng.normal(size=(60, 2)), (rng.random((60, 1)) < 0.4).astype(float)
    y = 5 + x @ np.array([0.3, -0.2]) - 0.4 * flags[:, 0] + rng.normal(0, 0.1, 60)
    free = np.zeros(2, dtype=np.int8)
    whole = fit_linear(x, flags, y, free)
    halves = fit_linear(
        np.tile(x, (2, 1)), np.tile(flags, (2, 1)), np.tile(y, 2), free, counts=np.full(120, 0.5)
    )
    assert halves.intercept == pytest.approx(whole.intercept, rel=1e-6)
    assert halves.slopes == pytest.approx(whole.slopes, rel=1e-6)
    assert halves.losses == pytest.approx(whole.losses, rel=1e-6)


def test_words_of_the_file_that_were_taken_for_others_are_said(
    given: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Read silently, a person would not know what the model was trained on."""
    given.write_text(given.read_text("utf-8").replace("aluminium", "aluminum"), "utf-8")
    with pytest.raises(SystemExit) as end:
        main(["train", "--sales", str(given), "--out", str(tmp_path / "own.npz")])
    assert end.value.code == 0
    assert "own.csv: deck_material 'aluminum' is read as aluminium" in capsys.readouterr().out
