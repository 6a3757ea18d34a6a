"""`fit_price_model` on any table: what it returns, what it recovers, what it refuses and in which words."""

import re
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest

from valuer.price_model.design import (
    Columns,
    Design,
    Piece,
    TableError,
    design_matrix,
    keep_signs,
    learn_columns,
    ramps,
)
from valuer.price_model.fit import BaseMaker, PriceModel, _row_weights, _with_apart, fit_price_model
from valuer.price_model.hedonic import LinearBase, PooledBase, fit_linear
from valuer.price_model.together import Together

N = 400


def sales(n: int = N, seed: int = 1) -> pd.DataFrame:
    """Invented sales whose prices follow a rule: 200, less 8 % a year, less 12 % and 30 % by flag, 20 % for red."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        {
            "age": rng.uniform(0, 10, n).round(1),
            "colour": rng.choice(["red", "blue", "green"], n),
            "leak": rng.choice([0, 1, 2], n, p=[0.7, 0.2, 0.1]),
        }
    )
    rate = 0.92 ** table["age"] * np.where(table["colour"] == "red", 0.8, 1.0)
    return table.assign(
        price=200 * rate * np.array([1, 0.88, 0.7])[table["leak"]] * np.exp(rng.normal(0, 0.05, n))
    )


def fitted(table: pd.DataFrame, **changes: Any) -> PriceModel:
    """The model of such sales, with some arguments changed."""
    plan: dict[str, Any] = {
        "target": "price", "numeric": ["age", "leak"], "categorical": ["colour"], "signs": {"age": -1, "leak": -1},
    }  # fmt: skip
    return fit_price_model(table, **{**plan, **changes})


@pytest.fixture(scope="module")
def model() -> PriceModel:
    """The model of the invented sales."""
    return fitted(sales())


def test_the_rule_behind_the_sales_is_recovered(model: PriceModel) -> None:
    """200 x .92^4 = 143.3 for a sound blue one of four years; x .88 = 126.1 with a slight leak; x .8 = 114.6 in red."""
    asked = pd.DataFrame({"age": 4.0, "colour": ["blue", "blue", "red"], "leak": [0, 1, 0]})
    assert model.predict(asked)["value"].to_numpy() == pytest.approx([143.3, 126.1, 114.6], rel=0.03)


def test_an_effect_is_relative(model: PriceModel) -> None:
    some = sales(30, seed=2)
    assert model.effect(some, "leak", 0, 1) == pytest.approx(-0.12, abs=0.025)
    assert model.effect(some, "leak", 0, 2) == pytest.approx(-0.30, abs=0.03)
    assert model.effect(some, "colour", "blue", "red") == pytest.approx(-0.20, abs=0.03)
    assert model.effect(some, "leak", 1, 1) == pytest.approx(0.0)


def test_an_effect_is_what_predictions_say(model: PriceModel) -> None:
    some = sales(30, seed=3)
    old, new = (model.predict(some.assign(leak=level))["value"] for level in (0, 2))
    assert model.effect(some, "leak", 0, 2) == pytest.approx((new / old - 1).to_numpy())


def test_predictions_keep_index_and_order(model: PriceModel) -> None:
    asked = sales(50, seed=4).set_index(pd.Index([f"m{i}" for i in range(50)]))
    shown = model.predict(asked)
    assert shown.columns.tolist() == ["value", "low", "high"]
    assert shown.index.equals(asked.index)
    mixed = asked.sample(frac=1, random_state=0)
    pd.testing.assert_frame_equal(model.predict(mixed), shown.loc[mixed.index], rtol=1e-9)
    alone = pd.concat([model.predict(asked.iloc[[i]]) for i in range(50)])
    pd.testing.assert_frame_equal(alone, shown, rtol=1e-9)


def test_other_columns_are_no_matter(model: PriceModel) -> None:
    asked = sales(5, seed=5)
    pd.testing.assert_frame_equal(
        model.predict(asked),
        model.predict(asked.assign(note="?", price=-1)[["note", "leak", "price", "colour", "age"]]),
    )


def test_nothing_asked_nothing_answered(model: PriceModel) -> None:
    assert model.predict(sales(5).iloc[:0]).empty


def test_money_in_another_unit_gives_the_same_model_in_that_unit(model: PriceModel) -> None:
    """A price in cents is a hundred times one in dollars; nothing else may change."""
    cents = fitted(sales().assign(price=lambda t: t["price"] * 100))
    asked = sales(40, seed=6)
    pd.testing.assert_frame_equal(cents.predict(asked) / 100, model.predict(asked), rtol=1e-4)


@pytest.mark.parametrize("coverage", [0.5, 0.8, 0.95])
def test_intervals_cover_what_they_promise_on_other_sales(coverage: float) -> None:
    """Split conformal intervals cover at the promised rate (Romano, Patterson, Candes 2019); three standard errors."""
    model, later = fitted(sales(1200), coverage=coverage), sales(2000, seed=7)
    shown = model.predict(later)
    inside = later["price"].between(shown["low"], shown["high"]).mean()
    noise = 3 * np.sqrt(coverage * (1 - coverage) * (1 / 2000 + 1 / 1200))
    assert inside == pytest.approx(coverage, abs=noise + 0.01)


def test_unknown_values_are_answered_between_the_known_ones(model: PriceModel) -> None:
    """A model that saw gaps: an unknown colour is worth no more than the best and no less than the worst."""
    gaps = sales(seed=8)
    gaps.loc[gaps.index % 4 == 0, "colour"] = None
    gaps.loc[gaps.index % 5 == 0, "age"] = np.nan
    asked = pd.DataFrame({"age": 4.0, "colour": ["red", "blue", None], "leak": 0})
    red, blue, unknown = fitted(gaps).predict(asked)["value"]
    assert red < unknown < blue


def test_of_few_sales_two_dozen_of_one_kind_are_told_apart() -> None:
    """Invented: a scratched red one brings a quarter, 27 of 243 sales; of either alone nothing is lost."""
    n = 243
    red, scratched = np.arange(n) % 9 < 3, np.arange(n) // 9 % 9 < 3
    price = 200 * np.where(red & scratched, 0.25, 1.0) * np.exp(np.random.default_rng(1).normal(0, 0.1, n))
    table = pd.DataFrame(
        {"colour": np.where(red, "red", "blue"), "scratched": np.where(scratched, "yes", "no")}
    )
    model = fitted(table.assign(price=price), numeric=[], categorical=[*table.columns], signs={})
    asked = pd.DataFrame({"colour": ["blue", "red", "blue", "red"], "scratched": ["no", "no", "yes", "yes"]})
    assert model.predict(asked)["value"].to_numpy() == pytest.approx([200, 200, 200, 50], rel=0.05)


def test_where_nothing_tells_prices_apart_hardly_anything_is_learned() -> None:
    """Trees stand on every large table; from noise of 30 % over eight columns they may learn a few per cent."""
    rng = np.random.default_rng(0)
    table = pd.DataFrame(rng.uniform(size=(2000, 8))).rename(columns="x{}".format)
    model = fitted(
        table.assign(price=200 * np.exp(rng.normal(0, 0.3, 2000))),
        numeric=[*table.columns], categorical=[], signs={}, lines=[*table.columns],
    )  # fmt: skip
    assert model.trees
    assert np.log(model.predict(table)["value"] / 200).std() < 0.06


@pytest.mark.parametrize(("least", "base"), [(0.3, PooledBase), (0.0, LinearBase)])
def test_pools_of_buyers_are_taken_where_they_say_more_than_a_line(
    least: float, base: type[LinearBase | PooledBase]
) -> None:
    """Invented: each of four flags takes off shares of what is left; where much is wrong a floor may hold the price."""
    rng = np.random.default_rng(0)
    names = ["a", "b", "c", "d"]
    table = pd.DataFrame({name: rng.choice([0, 1, 2], 2000, p=[0.5, 0.2, 0.3]) for name in names})
    left = np.array([1.0, 0.7, 0.4])[table.to_numpy()].prod(axis=1)
    price = 200 * np.maximum(left, least) * np.exp(rng.normal(0, 0.1, 2000))
    model = fitted(table.assign(price=price), numeric=names, categorical=[], signs=dict.fromkeys(names, -1))
    assert isinstance(model.base, base)


@pytest.mark.parametrize(("alone", "beside"), [(0.6, 0.2), (0.2, 0.6)])
def test_a_flag_costs_less_beside_what_says_where_it_comes_from_and_never_more(
    alone: float, beside: float
) -> None:
    """Planted losses in logs, the cause by itself costs nothing: the first is found again, the second is no law."""
    rng = np.random.default_rng(5)
    table = pd.DataFrame({"age": rng.uniform(0, 10, 3000)})
    for name in ("dead", "cause"):
        table[name] = 2.0 * (rng.random(3000) < 0.4)
    named = np.where(table["cause"] > 0, beside, alone)
    table["price"] = np.exp(5 - 0.05 * table["age"] - named * (table["dead"] > 0) + rng.normal(0, 0.1, 3000))
    model = fitted(
        table, numeric=["age", "dead", "cause"], categorical=[], signs={"age": -1, "dead": -1, "cause": -1},
        named=[("dead", ("cause",))],
    )  # fmt: skip
    shown = pd.DataFrame({"age": 5.0, "dead": [0.0, 2.0, 0.0, 2.0], "cause": [0.0, 0.0, 2.0, 2.0]})
    bare, unexplained, cause, told = np.log(model.predict(shown)["value"])
    if alone > beside:
        assert (bare - unexplained, cause - told) == pytest.approx((alone, beside), abs=0.05)
    assert cause - told <= bare - unexplained + 0.02, (
        "to the base a law; trees of a few sales may bend it by a hair"
    )


def test_a_flag_told_apart_stays_in_its_job_and_below_its_worst_case() -> None:
    """Three flags, the first told apart: its column more, the fourth, is one loss with its job, and costs no more."""
    table = sales(60).assign(dead=0, cause=0).rename(columns={"leak": "other"})
    columns = learn_columns(table, ["dead", "cause", "other"], [], {"dead": -1, "cause": -1, "other": -1})
    jobs, worst = _with_apart([("dead", "cause")], [(2, (1,))], [(0, (1,))], columns)
    assert jobs == ((0, 1, 3),)
    assert dict(worst) == {2: (1,), 0: (3,)}


def test_a_sale_far_off_pulls_no_more_than_one_at_three_times_what_is_expected() -> None:
    """Rows alike, off by .935 on the mean: 2.5 is not three times that; one at 6 counts 3 x .935 / 6 (Huber 1964)."""
    off = np.array([0.5] * 80 + [2.5] * 19 + [6.0])
    rows, design = np.zeros((100, 1)), Design(("x",), np.zeros(1, dtype=np.int8), (None,))
    maker = BaseMaker(rows, rows, off, design, Together())
    weight = _row_weights(maker, LinearBase(0.0, np.zeros(1), np.zeros(2)))
    assert weight / weight[0] == pytest.approx([1.0] * 99 + [3 * 0.935 / 6], rel=1e-3)


# ------------------------------------------------------------------------------------------------------------- refusals
def refused(message: str) -> Any:
    """Expect a refusal in exactly these words."""
    return pytest.raises(TableError, match=f"^{re.escape(message)}$")


def test_a_level_never_seen_is_refused(model: PriceModel) -> None:
    with refused("column colour: expected one of blue, green, red, got pink"):
        model.predict(sales(5).assign(colour="pink"))


def test_a_severity_never_heard_of_is_refused(model: PriceModel) -> None:
    with refused("column leak: expected 0, 1 or 2, got 3"):
        model.predict(sales(5).assign(leak=3))


def test_an_effect_of_no_column_is_refused(model: PriceModel) -> None:
    with refused("expected one of the model's columns, got 'drive'"):
        model.effect(sales(5), "drive", 0, 1)


def test_a_missing_column_is_named_in_fitting() -> None:
    with refused("expected the columns age, leak, colour, the table has no leak"):
        fitted(sales().drop(columns="leak"))


@pytest.mark.parametrize("column", ["age", "leak", "colour"])
def test_a_missing_column_is_named_in_asking(model: PriceModel, column: str) -> None:
    with pytest.raises(TableError, match=column):
        model.predict(sales(5).drop(columns=column))


def test_a_missing_target_is_named() -> None:
    with refused("expected the target column price, the table has age, colour, leak"):
        fitted(sales().drop(columns="price"))


def test_infinity_is_refused() -> None:
    table = sales()
    table.loc[3, "age"] = np.inf
    with refused("column age: expected finite numbers or nothing, got infinity"):
        fitted(table)


@pytest.mark.parametrize(("price", "shown"), [(0.0, "0.0"), (-5.0, "-5.0"), (np.nan, "nan"), (np.inf, "inf")])
def test_a_price_must_be_above_nothing(price: float, shown: str) -> None:
    table = sales()
    table.loc[7, "price"] = price
    with refused(f"column price: expected prices above 0, got {shown} in row 7"):
        fitted(table)


def test_too_few_sales_are_refused() -> None:
    # Five folds with two sales each are the least that can be left out in turn.
    with refused("expected at least 10 sales to learn from, got 9"):
        fitted(sales(9))
    assert fitted(sales(10)).predict(sales(1))["value"].iloc[0] > 0


def test_words_where_numbers_belong_are_refused() -> None:
    with pytest.raises(TableError, match=r"^column age: expected numbers, got .*old"):
        fitted(sales().assign(age="old"))


@pytest.mark.parametrize("known", [0, 3])
def test_a_column_of_next_to_nothing_is_left_out(known: int) -> None:
    table = sales()
    model = fitted(table.assign(age=table["age"].where(table.index < known)))
    assert "age" not in model.columns.attributes
    assert np.isfinite(model.predict(table.head(3).drop(columns="age"))["value"]).all()


@pytest.mark.parametrize(("n", "told"), [(400, 40), (12, 6)])
def test_a_column_that_some_rows_tell_is_used(n: int, told: int) -> None:
    """Ten rows are enough to look at a column, of few sales half of them."""
    table = sales(n)
    model = fitted(table.assign(age=table["age"].where(table.index < told)))
    assert "age" in model.columns.attributes


def test_hundreds_of_levels_leave_the_rare_ones_to_each_other() -> None:
    table = sales().assign(colour=[f"c{i}" for i in range(N)])
    table.loc[table.index < 40, "colour"] = "often"
    model = fitted(table)
    assert len(model.columns.levels["colour"]) == 60
    rare = model.predict(table.tail(2).assign(colour=["c399", "never seen"]))
    assert np.isfinite(rare["value"]).all()


def test_a_column_is_numeric_or_categorical() -> None:
    with refused("a column is numeric or categorical once, got twice: leak"):
        fitted(sales(), categorical=["colour", "leak"])


@pytest.mark.parametrize("sign", [{"colour": 1}, {"age": 2}, {"weight": -1}])
def test_a_sign_is_of_a_numeric_column(sign: dict[str, int]) -> None:
    (name, value), = sign.items()  # fmt: skip
    with refused(f"signs maps a numeric column to +1 or -1, got {name!r}: {value}"):
        fitted(sales(), signs=sign)


def test_pairs_and_jobs_are_of_flags() -> None:
    with refused("jobs name flags (columns of 0, 1, 2 with sign -1), got age"):
        fitted(sales(), jobs=[["leak", "age"]])


def test_a_log_scale_needs_numbers_above_nothing() -> None:
    with refused("column age: expected numbers above 0 for a log scale, got 0"):
        fitted(sales().assign(age=lambda t: t["age"].where(t.index > 0, 0.0)), logs=["age"])
    model = fitted(sales().assign(age=lambda t: t["age"] + 1), logs=["age"])
    with refused("column age: expected numbers above 0, got -2"):
        model.predict(sales(1).assign(age=-2.0))


# ---------------------------------------------------------------------------------------------------- the linear base
def test_a_linear_base_without_bounds_is_least_squares() -> None:
    """Numpy's lstsq as judge: with no ridge and no sign in the way the coefficients are the same."""
    rng = np.random.default_rng(3)
    x, flags = rng.normal(size=(200, 3)), rng.choice([0.0, 1.0, 2.0], (200, 1), p=[0.6, 0.3, 0.1])
    y = (
        5
        + x @ [0.3, -0.2, 0.1]
        - 0.2 * (flags[:, 0] >= 1)
        - 0.3 * (flags[:, 0] >= 2)
        + rng.normal(0, 0.05, 200)
    )
    base = fit_linear(x, flags, y, np.zeros(3, dtype=np.int8), ridge=1e-9)
    everything = np.column_stack([np.ones(200), x, flags >= 1, flags >= 2])
    judge = np.linalg.lstsq(everything, y, rcond=None)[0]
    assert [base.intercept, *base.slopes, *-base.losses] == pytest.approx(judge.tolist(), abs=1e-5)


def test_a_linear_base_predicts_by_hand() -> None:
    """5 + 2 x .5 - (.1 + .2) for a serious one, - .1 for a slight one."""
    base = LinearBase(5.0, np.array([0.5]), np.array([0.1, 0.2]))
    assert base.log_price(np.full((3, 1), 2.0), np.array([[0.0], [1.0], [2.0]])) == pytest.approx(
        [6.0, 5.9, 5.7]
    )


# -------------------------------------------------------------------------------------------------- ramps and signs
@pytest.mark.parametrize(("n", "bends"), [(299, 0), (300, 2), (1999, 2), (2000, 5)])
def test_a_curve_has_as_many_bends_as_its_sales_can_carry(n: int, bends: int) -> None:
    """Of few sales each bend would follow its noise."""
    assert len(learn_columns(sales(n), ["age"], [], {}).knots["age"]) == bends + 2


def test_the_columns_of_a_row_by_hand() -> None:
    """Red by three in four where no colour is said, four of ten years; then a red one of whose age nothing is said."""
    columns = Columns(
        levels={"colour": ("blue", "red")}, knots={"age": (0.0, 10.0)}, flags=(), signs={"age": -1},
        crossed=(("colour", "age"),), unknown=("colour", "age"),
    )  # fmt: skip
    shares, numbers = np.array([[0.25, 0.75], [0.0, 1.0]]), np.array([[4.0], [10.0]])
    names = ["blue", "red", "age", "no colour", "no age", "age if not said", "age of blue", "age of red"]
    rows = design_matrix(shares, numbers, np.array([[0.0, 1.0], [1.0, 0.0]]), columns)
    assert dict(zip(names, rows.T.tolist(), strict=True)) == {
        "blue": [0.25, 0.0], "red": [0.75, 1.0], "age": [0.4, 1.0], "no colour": [1.0, 0.0], "no age": [0.0, 1.0],
        "age if not said": [0.0, 1.0], "age of blue": [0.1, 0.0], "age of red": [pytest.approx(0.3), 1.0],
    }  # fmt: skip


def test_ramps_by_hand() -> None:
    """Knots 0, 2, 6: a value of 5 fills the first piece and three quarters of the second."""
    values = np.array([-1.0, 0.0, 1.0, 2.0, 5.0, 6.0, 9.0])
    shown = ramps(values[:, None], np.array([0.0, 2.0]), np.array([2.0, 6.0]))
    assert shown[:, 0].tolist() == [0, 0, 0.5, 1, 1, 1, 1]
    assert shown[:, 1].tolist() == [0, 0, 0, 0, 0.75, 1, 1]


def test_ramps_rebuild_any_line_inside_the_knots() -> None:
    """Lengths of the pieces as coefficients give the value back."""
    knots = np.array([1.0, 2.5, 7.0, 8.0])
    values = np.linspace(1, 8, 30)
    assert 1.0 + ramps(values[:, None], knots[:-1], knots[1:]) @ np.diff(knots) == pytest.approx(values)


def design_of(own: int, crossed: dict[str, int]) -> Design:
    """A falling number of one or more pieces on 0..4, crossed with levels on the whole of it."""
    ends = np.linspace(0, 4, own + 1)
    pieces = [Piece("age", a, b) for a, b in pairwise(ends)]
    pieces += [Piece("age", 0.0, 4.0, name) for name, levels in crossed.items() for _ in range(levels)]
    names = tuple(f"c{i}" for i in range(len(pieces)))
    return Design(names, np.full(len(pieces), -1, dtype=np.int8), tuple(pieces))


def test_a_slope_against_its_sign_is_set_to_nothing() -> None:
    design = Design(
        ("a", "b", "c"), np.array([1, -1, 0], dtype=np.int8), (Piece("x", 0, 1), Piece("y", 0, 1), None)
    )
    assert keep_signs(np.array([-2.0, 3.0, -4.0]), design).tolist() == [0.0, 0.0, -4.0]
    assert keep_signs(np.array([2.0, -3.0, 4.0]), design).tolist() == [2.0, -3.0, 4.0]


def test_a_level_takes_back_no_more_than_the_slope_itself() -> None:
    """Own slope -1 over four units; one level adds +6 over them: +4 is all that there is to take back."""
    kept = keep_signs(np.array([-4.0, 6.0, -1.0]), design_of(1, {"tier": 2}))
    assert kept.tolist() == [-4.0, 4.0, -1.0]


def test_no_combination_of_levels_turns_a_sign() -> None:
    """Random slopes, two crossed columns: in every piece, for every pair of levels, the total slope falls."""
    rng = np.random.default_rng(4)
    design = design_of(3, {"tier": 3, "drive": 2})
    for _ in range(50):
        kept = keep_signs(rng.normal(0, 2, len(design.names)), design)
        own, tier, drive = kept[:3] / (4 / 3), kept[3:6] / 4, kept[6:] / 4
        totals = own[:, None, None] + tier[None, :, None] + drive[None, None, :]
        assert totals.max() <= 1e-12
