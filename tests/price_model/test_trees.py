"""Trees as plain arrays answer as scikit-learn, which grew them, answers."""

import tracemalloc
from typing import Any

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor

from valuer.price_model.trees import SharedTrees, plain_trees

rng = np.random.default_rng(5)


def table(n: int, blanks: float) -> tuple[np.ndarray, np.ndarray]:
    """Columns of several kinds, some blank, and a target that bends."""
    x = np.column_stack([rng.normal(size=n), rng.integers(0, 3, n), rng.exponential(size=n)])
    y = np.sin(2 * x[:, 0]) + x[:, 1] * (x[:, 2] > 1) + 0.1 * rng.normal(size=n)
    x[rng.random(x.shape) < blanks] = np.nan
    return x, y


@pytest.mark.parametrize("blanks", [0.0, 0.2])
@pytest.mark.parametrize("leaves", [2, 6, 31, 64])
@pytest.mark.parametrize("loss", ["squared_error", "gamma"])
def test_numbers_are_those_of_the_library(blanks: float, leaves: int, loss: Any) -> None:
    x, y = table(2000, blanks)
    grower = HistGradientBoostingRegressor(loss=loss, max_iter=20, max_leaf_nodes=leaves, min_samples_leaf=3)
    fitted = grower.fit(x, np.exp(y) if loss == "gamma" else y)
    trees = plain_trees(fitted)
    asked, _ = table(5000, 0.3)
    np.testing.assert_allclose(trees.predict(asked), fitted.predict(asked), rtol=1e-12, atol=1e-14)
    np.testing.assert_allclose(trees.predict(asked[:1]), fitted.predict(asked[:1]), rtol=1e-12, atol=1e-14)
    assert trees.count == 20
    assert len(trees.predict(asked[:0])) == 0


def test_many_rows_take_no_more_memory_than_some() -> None:
    """20,000 rows by 300 tests are 48 MB of numbers if all are held at once; a portion of them is 2 MB."""
    x, y = table(2000, 0.0)
    trees = plain_trees(HistGradientBoostingRegressor(max_iter=60, max_leaf_nodes=6).fit(x, y))
    asked, _ = table(20_000, 0.0)
    tracemalloc.start()
    trees.predict(asked)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert trees.column.size == 300
    assert peak < 20_000_000


@pytest.mark.parametrize("shared", [1, 2, 3])
@pytest.mark.parametrize("loss", ["squared_error", "gamma"])
def test_rows_that_share_columns_are_answered_as_each_alone(
    shared: int, loss: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever they share, blanks too, and in however many parts they are asked."""
    x, y = table(2000, 0.2)
    grower = HistGradientBoostingRegressor(loss=loss, max_iter=20, max_leaf_nodes=6)
    fitted = grower.fit(x, np.exp(y) if loss == "gamma" else y)
    trees = plain_trees(fitted)
    heads, rest = table(7, 0.3)[0][:, :shared], table(500, 0.3)[0][:, shared:]
    of = rng.integers(0, 7, 500)
    monkeypatch.setattr("valuer.price_model.trees.AT_ONCE", 900)
    told = SharedTrees(trees, shared).predict(heads, of, rest)
    np.testing.assert_allclose(told, fitted.predict(np.hstack([heads[of], rest])), rtol=1e-12, atol=1e-14)


def test_shares_are_those_of_the_library() -> None:
    x, y = table(2000, 0.1)
    fitted = HistGradientBoostingClassifier(max_iter=15, max_leaf_nodes=6).fit(
        x, np.digitize(y, [-0.5, 0.5, 1.5])
    )
    asked, _ = table(500, 0.3)
    shares = plain_trees(fitted).shares(asked)
    np.testing.assert_allclose(shares, fitted.predict_proba(asked), rtol=1e-12)
    np.testing.assert_allclose(shares.sum(axis=1), 1.0)


def test_a_row_on_the_limit_goes_where_the_library_sends_it() -> None:
    """Values as they stand between limits are easy; the limits themselves are not."""
    x, y = table(500, 0.0)
    fitted = HistGradientBoostingRegressor(max_iter=5, max_leaf_nodes=8).fit(x, y)
    trees = plain_trees(fitted)
    limits = np.array([trees.limit[trees.column == k][0] for k in range(3)])
    on = np.vstack([limits, np.nextafter(limits, 9), np.nextafter(limits, -9)])
    np.testing.assert_allclose(trees.predict(on), fitted.predict(on), rtol=1e-12)


def test_more_leaves_than_bits_are_refused() -> None:
    x, y = table(2000, 0.0)
    grower = HistGradientBoostingRegressor(max_iter=2, max_leaf_nodes=80, min_samples_leaf=3)
    with pytest.raises(ValueError, match="at most 64 leaves, got 80"):
        plain_trees(grower.fit(x, y))


def test_splits_by_category_are_refused() -> None:
    x, y = table(2000, 0.0)
    grower = HistGradientBoostingRegressor(max_iter=5, categorical_features=[1])
    with pytest.raises(ValueError, match="got a split by category"):
        plain_trees(grower.fit(x, y))
