"""Training is a command; a model of given sales is kept, and trained again by itself when the kept one does not fit."""

from pathlib import Path

import pytest

from tests.price_model.machines import machine
from valuer import paths
from valuer.market.files import csv_text, packed
from valuer.market.sales import draw_sales
from valuer.price_model import artifact, load_or_train, train, training
from valuer.price_model.design import TableError
from valuer.price_model.fit import POOLS
from valuer.price_model.mower import MowerModel
from valuer.price_model.training import LISTINGS

SALES = 300


class Told:
    """What a caller of training is told, in order."""

    def __init__(self) -> None:
        self.steps: list[tuple[float, str]] = []

    def __call__(self, done: float, what: str) -> None:
        self.steps.append((done, what))

    @property
    def words(self) -> list[str]:
        """The texts alone."""
        return [what for _, what in self.steps]


@pytest.fixture
def afresh(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small file of sales and a place for its model instead of the shipped ones, and a cache; returns the cache."""
    path = tmp_path / "sales.csv.gz"
    path.write_bytes(packed(csv_text(draw_sales(SALES, 3)[1])))
    whole = paths.shipped
    monkeypatch.setattr(training, "shipped", lambda name: path if "sales" in name else whole(name))
    monkeypatch.setattr(artifact, "SHIPPED", tmp_path / "shipped" / "resale_value.npz")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "cache" / "valuer"


@pytest.fixture
def small(afresh: Path, fitted_once: None) -> Path:
    """The same, for tests that are not about the fit."""
    return afresh


def asked() -> tuple[Told, MowerModel]:
    """Ask for the model; what was told, and the model."""
    told = Told()
    return told, load_or_train(told)


def value(model: MowerModel) -> float:
    """The reference machine's value."""
    return float(model.value(model.encode([machine()], 4))[0])


def test_a_step_weighs_what_it_takes_for_so_many_sales() -> None:
    """Few sales are fitted without pools of buyers; what does not grow with the sales is most of the time of few."""
    few, many = training.steps_begin(SALES), training.steps_begin(20_000)
    assert set(many) - set(few) == {POOLS}
    assert list(many.values()) == sorted(many.values())
    assert few[LISTINGS] < 0.9 < many[LISTINGS]


def test_training_writes_the_shipped_model_the_same_each_time(afresh: Path) -> None:
    told = Told()
    first = train(report=told)
    shares = [done for done, _ in told.steps]
    assert shares == sorted(shares), "a progress bar never runs back"
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    assert {step: share for share, step in told.steps} == {
        **training.steps_begin(SALES, sample=True),
        "done": 1.0,
    }
    assert first.basis.synthetic
    assert first.basis.own_sales == 0
    written = artifact.SHIPPED.read_bytes()
    train()
    assert artifact.SHIPPED.read_bytes() == written
    told, again = asked()
    assert not told.steps, "read without a word"
    assert value(again) == value(first)


def test_a_model_of_given_sales_is_kept_and_trained_again_where_the_file_was_touched(
    small: Path, tmp_path: Path
) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(csv_text(draw_sales(200, 4)[1]), "utf-8")
    first = train(mine)
    told, again = asked()
    assert not told.steps, "taken from the cache without a word"
    assert value(again) == value(first)

    (kept,) = small.glob("*.npz")
    data = bytearray(kept.read_bytes())
    data[len(data) // 2] ^= 1
    kept.write_bytes(bytes(data))
    told, anew = asked()
    assert told.words[0].startswith("training again: the model in resale_value-")
    assert value(anew) == value(first)
    assert not asked()[0].steps, "and kept in order"


def test_a_model_written_elsewhere_leaves_all_as_it_is(small: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(csv_text(draw_sales(200, 4)[1]), "utf-8")
    train()
    model = train(mine, out=tmp_path / "out.npz")
    assert value(artifact.kept(tmp_path / "out.npz")) == value(model)
    assert asked()[1].basis.synthetic
    assert not list(small.glob("*"))
    assert not list((tmp_path / "data").glob("**/*.*"))


def test_own_sales_are_counted_and_not_called_synthetic(small: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(csv_text(draw_sales(200, 4)[1]), "utf-8")
    model = train(mine)
    assert not model.basis.synthetic
    assert model.basis.own_sales == 200
    assert list(small.glob("*.npz"))


def test_a_model_counts_the_sales_that_show_a_fault(small: Path) -> None:
    table = draw_sales(SALES, 3)[1]
    model = train()
    for text in ("dirty:slight", "no_start:serious", "deck_crack:serious"):
        fault, severity = text.split(":")
        assert (
            model.records(fault, severity)
            == table["faults"].str.split(";").map(lambda t, x=text: x in t).sum()
        )


@pytest.mark.parametrize("what", ["garbage", "nothing"])
def test_a_bad_file_of_own_sales_leaves_nothing_behind(small: Path, tmp_path: Path, what: str) -> None:
    mine = tmp_path / "mine.csv"
    if what == "garbage":
        mine.write_text("a,b\n1,2\n", "utf-8")
    with pytest.raises(TableError, match=r"mine\.csv"):
        train(mine)
    assert not list(small.glob("*")) if small.exists() else True
