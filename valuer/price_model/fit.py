"""One method for any table of sales: a hedonic base, boosted trees on what it leaves, and conformal intervals."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from valuer.price_model.design import (
    Coded,
    Columns,
    Design,
    Floats,
    TableError,
    code_table,
    learn_columns,
    runs,
    says_enough,
)
from valuer.price_model.hedonic import (
    LinearBase,
    Members,
    Penalties,
    PooledBase,
    WorstCase,
    fit_linear,
    price_worst_case,
)
from valuer.price_model.interval import Interval, learn_interval, scale_inputs, whole_sales
from valuer.price_model.trees import SharedTrees, Trees, plain_trees
from valuer.price_model.unknowns import Unknowns, learn_unknowns

if TYPE_CHECKING:
    import pandas as pd

    from valuer.price_model.together import Together

Progress = Callable[[str], None]

BLANKS = "reading what sellers left out"
LINE = "fitting a line out of fold"
POOLS = "fitting pools of buyers out of fold"
BOOSTING = "boosting trees on what the base leaves"
WHOLE = "fitting on all rows"
WIDTH = "measuring the interval"
"""The steps of a fit, in their order, as they are told while it goes on."""

FOLDS = 5
POOLS_FROM = 2000
"""Rows from which the pooled base is tried at all; below it the linear base carries everything."""
TREE_STEPS = (0, 25, 50, 100, 200, 300)
FEWEST_TREES = 25
"""Trees on a large table even where they hardly help: they watch for what the base cannot say."""
BELIEVED = 3.0
"""Residual, in units of its expected size, from which on a row's pull stays the same."""

GAIN_WANTED = 0.002
"""Share of the squared error by which more trees, or pools instead of a line, must lower it out of fold."""


@dataclass(frozen=True)
class HeldOut:
    """How far off the model was on sales it was not fitted on, in five-fold cross-validation.

    Rows that count as a part of a sale helped to fit it and are not judged by. How many trees there are was chosen on
    the same folds. median_error: median of |value / price - 1|. log_error: root mean square of the log price's error.
    """

    rows: int
    median_error: float
    log_error: float


@dataclass(frozen=True)
class PriceModel:
    """A fitted model of prices. Make one with `fit_price_model`."""

    columns: Columns
    unknowns: Unknowns
    base: LinearBase | PooledBase
    trees: Trees | None
    interval: Interval
    usual: Floats
    coverage: float
    held_out: HeldOut
    narrows: tuple[str, ...] = ()
    named: tuple[WorstCase, ...] = ()

    def predict(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return a frame `value`, `low`, `high` in the target's unit, one row a row of the table, same index.

        `value` is exp of the mean log price. Raises TableError for columns or levels that training never saw.
        """
        import pandas as pd

        value, low, high = self.predict_rows(self.rows(table))
        return pd.DataFrame({"value": value, "low": low, "high": high}, index=table.index)

    def effect(self, table: pd.DataFrame, column: str, old: object, new: object) -> Floats:
        """Relative change in value when `column` goes from `old` to `new` in every row, shape (n,).

        -0.12 means that the new one is worth 12 % less.
        """
        if column not in (*self.columns.attributes, *self.columns.flags):
            msg = f"expected one of the model's columns, got {column!r}"
            raise TableError(msg)
        before, after = (self.rows(table.assign(**{column: cast("Any", v)})) for v in (old, new))
        return np.asarray(np.exp(self.log_value(after) - self.log_value(before)) - 1.0)

    # -------------------------------------------------------------------------------- rows: the coded form, for speed
    @cached_property
    def widths(self) -> tuple[int, int, int, int]:
        """Widths of the four blocks of a row: attribute columns, codes of the trees, told, flags."""
        c = self.columns
        return len(c.recipe.share), len(c.levels) + len(c.knots), len(c.with_unknowns), len(c.flags)

    @property
    def flags_start(self) -> int:
        """First column of the flags in a coded row."""
        return sum(self.widths[:3])

    def rows(self, table: pd.DataFrame) -> Floats:
        """Coded rows, shape (n, sum(widths)): attribute columns, codes, told, flags."""
        return self.rows_of(code_table(table, self.columns))

    def rows_of(self, coded: Coded) -> Floats:
        """Coded rows with everything unknown read from the rest."""
        x, told = self.unknowns.filled(coded)
        return np.concatenate([x, coded.categories, coded.numbers, told, coded.flags], axis=1)

    def log_value(self, rows: Floats) -> Floats:
        """Mean log price of coded rows, shape (n,). A signed column keeps its sign.

        A flag never raises it, but one that names what another beside it comes from.
        """
        start, flags_start = self.widths[0], self.flags_start
        first, of = runs(rows[:, :flags_start])
        heads, flags = rows[first], told_apart(rows[:, flags_start:], self.named)
        base = self.base.log_price(heads[:, :start], flags, of)
        if self._trees is None:
            return base
        codes = heads[:, start : start + self.widths[1]]
        flags = worst_of_jobs(flags, self.base.jobs)
        return base + self._trees.predict(codes, of, np.concatenate([flags, base[:, None]], axis=1))

    @cached_property
    def _trees(self) -> SharedTrees | None:
        """The trees for rows that share their codes: those of one machine with other flags."""
        return None if self.trees is None else SharedTrees(self.trees, self.widths[1])

    def predict_rows(self, rows: Floats) -> tuple[Floats, Floats, Floats]:
        """Value, low and high of coded rows, each of shape (n,), in the target's unit."""
        mean, (down, up) = self.log_value(rows), self.reach(rows)
        return np.exp(mean), np.exp(mean - down), np.exp(mean + up)

    def reach(self, rows: Floats) -> tuple[Floats, Floats]:
        """How far the interval of coded rows reaches below and above the mean log price, each of shape (n,)."""
        told = rows[:, sum(self.widths[:2]) : self.flags_start]
        flags = told_apart(rows[:, self.flags_start :], self.named)
        shown = shown_block(rows[:, self.widths[0] :], self.columns, self.narrows)
        scale = self.interval.scale(
            scale_inputs(told, usual_fall(self.base, self.usual, flags), flags, shown)
        )
        return self.interval.below * scale, self.interval.above * scale


def told_apart(flags: Floats, named: Sequence[WorstCase]) -> Floats:
    """Flags, shape (n, n_flags), with a column more for each of some: it stands there beside what it comes from.

    >>> told_apart(np.array([[2.0, 0.0], [2.0, 1.0]]), [(0, (1,))]).tolist()
    [[2.0, 0.0, 0.0], [0.0, 1.0, 2.0]]
    """
    if not named:
        return flags
    count = flags.shape[1]
    told = np.zeros((len(flags), count + len(named)))
    told[:, :count] = flags
    for place, (flag, others) in enumerate(named, start=count):
        shown = flags[:, flag].nonzero()[0]
        if not len(shown):
            continue
        beside = shown[flags[shown[:, None], others].any(axis=1)]
        told[beside, place] = flags[beside, flag]
        told[beside, flag] = 0.0
    return told


def worst_of_jobs(flags: Floats, jobs: tuple[tuple[int, ...], ...]) -> Floats:
    """Flags, shape (n, n_flags), where every flag of a job stands as its worst does: what the trees see of them.

    So what one job cures stays one loss to them too; which of its flags is there, the base says.

    >>> worst_of_jobs(np.array([[2.0, 0.0, 1.0]]), ((0, 1),))
    array([[2., 2., 1.]])
    """
    if not jobs:
        return flags
    members = Members.of(jobs)
    worst = np.maximum.reduceat(flags[:, members.columns], members.starts, axis=1)
    seen = flags.copy()
    seen[:, members.columns] = worst[:, members.job]
    return seen


def usual_fall(base: LinearBase | PooledBase, usual: Floats, flags: Floats) -> Floats:
    """How far flags, shape (n, n_flags), bring down the log price of the usual row, shape (p,); shape (n,).

    Cut off after twelve places: many machines have the very same flags, and trees, whose limits are falls that were
    seen, would part them by the last bit.
    """
    sound_too = np.concatenate([np.zeros((1, flags.shape[1])), flags])
    log_price = base.log_price(usual[None, :], sound_too, np.zeros(len(sound_too), dtype=np.intp))
    return np.asarray(np.floor((log_price[0] - log_price[1:]) * 1e12) / 1e12)


def shown_block(codes: Floats, columns: Columns, narrows: Sequence[str]) -> Floats:
    """How much is shown of what narrows the interval, shape (n, len(narrows)); nothing where it is not said."""
    numbers = list(columns.knots)
    shown = codes[:, [len(columns.levels) + numbers.index(name) for name in narrows]]
    return np.where(np.isnan(shown), 0.0, shown)


def fit_price_model(
    table: pd.DataFrame,
    target: str,
    numeric: Sequence[str],
    categorical: Sequence[str],
    signs: Mapping[str, int],
    coverage: float = 0.8,
    *,
    logs: Sequence[str] = (),
    lines: Sequence[str] = (),
    crossed: Sequence[tuple[str, str]] = (),
    jobs: Sequence[Sequence[str]] = (),
    worst_cases: Sequence[tuple[str, Sequence[str]]] = (),
    named: Sequence[tuple[str, Sequence[str]]] = (),
    narrows: Sequence[str] = (),
    progress: Progress | None = None,
    counts: Floats | None = None,
    penalties: Penalties = Penalties(),
) -> PriceModel:
    """Fit prices on attributes.

    table: any frame of sales. target: a positive price, in any unit. numeric, categorical: columns to use; missing
    values mean unknown, and a column that hardly a row says anything of is left out. signs: numeric column -> +1 or -1
    where the direction is known; the model keeps it, whatever the data say. A column of 0, 1, 2 with sign -1 is a flag
    (absent, slight, serious). coverage: of the interval. logs: numeric columns on a log scale. lines: numeric columns
    that enter as a straight line. crossed: (categorical, numeric) columns whose slope depends on the level.
    jobs: groups of flags that one job cures, as a catalogue has it, each flag in one at most; which of them the sales
    contradict, and what else does not add up, is found (`together`).
    worst_cases: (flag, others) where the flag says no more than that it may be any of the others: it costs at least
    what the dearest of them does.
    named: (flag, others) where the flag may cost less beside one that says what it comes from; to the base never more.
    narrows: numeric columns from 0 to 1 that may only narrow the interval.
    counts: how much each row counts, shape (n,), above 0 and at most 1; 1 is a whole sale, and so are all without it.
    penalties: how strongly the pooled base is held back, and after how many steps its fit ends.

    Method: the base is linear on small tables and pooled on large ones when that predicts better out of fold; boosted
    trees learn the residual, as many as help out of fold, with the base as a column they may only rise in.
    """
    from valuer.price_model.together import Together

    say = progress or (lambda _: None)
    y = _log_target(table, target)
    silent = {c for c in (*numeric, *categorical) if c in table.columns and not says_enough(table[c])}
    numeric, categorical, narrows = (
        [c for c in names if c not in silent] for names in (numeric, categorical, narrows)
    )
    signs = {name: sign for name, sign in signs.items() if name not in silent}
    crossed = [pair for pair in crossed if not silent & set(pair)]
    columns = learn_columns(table, numeric, categorical, signs, logs, lines, crossed)
    coded = code_table(table, columns)
    say(BLANKS)
    unknowns = learn_unknowns(coded, columns, counts)
    (x, told), design = unknowns.filled(coded), columns.recipe.design
    apart = _places_of(named, columns)
    shown = told_apart(coded.flags, apart)
    once, worst = _with_apart(jobs, _places_of(worst_cases, columns), apart, columns)
    maker = BaseMaker(x, shown, y, design, Together(jobs=once), worst, counts, penalties)
    maker, kind, weight, outside = _choose_base(maker, say)
    flags = worst_of_jobs(shown, outside[0].jobs)
    codes = np.hstack([coded.categories, coded.numbers, flags])
    steps, error = _choose_trees(maker, outside, codes, columns, say)
    say(WHOLE)
    base = maker.fit(kind, weight, np.arange(len(y)))
    inside = base.log_price(x, shown)
    every = np.arange(len(y))
    trees = None
    if steps:
        inputs = np.hstack([codes, inside[:, None]])
        grown = _trees(steps, codes, columns).fit(inputs, y - inside, sample_weight=maker.counted(every))
        trees = plain_trees(grown)
    say(WIDTH)
    usual = x.mean(axis=0)
    inputs = scale_inputs(told, usual_fall(base, usual, shown), shown, shown_block(codes, columns, narrows))
    interval = learn_interval(inputs, told.shape[1] + len(narrows), error, coverage, counts=counts)
    held_out = _held_out(error[whole_sales(counts, len(y))])
    return PriceModel(
        columns, unknowns, base, trees, interval, usual, coverage, held_out, tuple(narrows), apart
    )


def _held_out(error: Floats) -> HeldOut:
    """Of out-of-fold errors of the log price, shape (n,)."""
    of_price = np.abs(np.exp(-error) - 1.0)
    return HeldOut(len(error), float(np.median(of_price)), float(np.sqrt(np.mean(error**2))))


def _log_target(table: pd.DataFrame, target: str) -> Floats:
    import pandas as pd

    if target not in table.columns:
        msg = f"expected the target column {target}, the table has {', '.join(map(str, table.columns))}"
        raise TableError(msg)
    price = pd.to_numeric(table[target], errors="coerce").astype(float).to_numpy()
    bad = ~(np.isfinite(price) & (price > 0))
    if bad.any():
        msg = f"column {target}: expected prices above 0, got {table[target][bad].iloc[0]} in row {int(bad.argmax())}"
        raise TableError(msg)
    if len(price) < 2 * FOLDS:
        msg = f"expected at least {2 * FOLDS} sales to learn from, got {len(price)}"
        raise TableError(msg)
    return np.log(price)


def _place(names: Sequence[str], columns: Columns) -> tuple[int, ...]:
    missing = [name for name in names if name not in columns.flags]
    if missing:
        msg = f"jobs name flags (columns of 0, 1, 2 with sign -1), got {', '.join(missing)}"
        raise TableError(msg)
    return tuple(columns.flags.index(name) for name in names)


def _places_of(flags: Sequence[tuple[str, Sequence[str]]], columns: Columns) -> tuple[WorstCase, ...]:
    return tuple((_place([flag], columns)[0], _place(others, columns)) for flag, others in flags)


def _with_apart(
    jobs: Sequence[Sequence[str]], worst: Sequence[WorstCase], apart: Sequence[WorstCase], columns: Columns
) -> tuple[tuple[tuple[int, ...], ...], tuple[WorstCase, ...]]:
    """Jobs and worst cases by column, those of a flag that is told apart with the column it then has."""
    beside = {flag: place for place, (flag, _) in enumerate(apart, start=len(columns.flags))}
    by_column = [_place(job, columns) for job in jobs]
    once = tuple((*job, *(beside[flag] for flag in job if flag in beside)) for job in by_column)
    known = dict(worst) | {flag: (*dict(worst).get(flag, ()), place) for flag, place in beside.items()}
    return once, tuple(known.items())


@dataclass(frozen=True)
class BaseMaker:
    """Everything a base is fitted on. Shapes: x (n, p), flags (n, n_flags), y (n,), counts (n,) or nothing."""

    x: Floats
    flags: Floats
    y: Floats
    design: Design
    together: Together
    worst: tuple[WorstCase, ...] = ()
    counts: Floats | None = None
    penalties: Penalties = field(default_factory=Penalties)

    def counted(self, rows: np.ndarray) -> Floats | None:
        """How much the chosen rows count; nothing where all count as one sale."""
        return None if self.counts is None else self.counts[rows]

    def fit(self, kind: str, weight: Floats, rows: np.ndarray) -> LinearBase | PooledBase:
        """Fit one kind of base on the chosen rows."""
        from valuer.price_model.pooled_fit import fit_pooled

        x, flags, y = self.x[rows], self.flags[rows], self.y[rows]
        counts = self.counted(rows)
        if kind == "linear":
            base: LinearBase | PooledBase = fit_linear(x, flags, y, self.design.signs, counts=counts)
        else:
            pairs, jobs = self.together.pairs, self.together.jobs
            base = fit_pooled(x, flags, y, weight[rows], self.design, pairs, jobs, self.penalties, counts)
        return price_worst_case(base, self.worst)

    @cached_property
    def folds(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Rows to fit and rows to test, FOLDS times; shuffled by a fixed seed."""
        place = np.random.default_rng(0).permutation(len(self.y)) % FOLDS
        return [(np.flatnonzero(place != k), np.flatnonzero(place == k)) for k in range(FOLDS)]

    def fold_bases(self, kind: str, weight: Floats) -> list[LinearBase | PooledBase]:
        """One base a fold, in parallel where the machine has cores."""
        from joblib import Parallel, delayed

        fits = (delayed(self.fit)(kind, weight, inside) for inside, _ in self.folds)
        return list(Parallel(n_jobs=-1 if kind == "pooled" else 1)(fits))

    def outside(self, bases: Sequence[LinearBase | PooledBase]) -> Floats:
        """Out-of-fold log price of every row, shape (n,)."""
        mean = np.empty(len(self.y))
        for base, (_, test) in zip(bases, self.folds, strict=True):
            mean[test] = base.log_price(self.x[test], self.flags[test])
        return mean


def _choose_base(
    maker: BaseMaker, say: Progress
) -> tuple[BaseMaker, str, Floats, list[LinearBase | PooledBase]]:
    """What the base is fitted on, its kind, the weight of each row, and one base a fold."""
    from valuer.price_model.together import Leftover, found_together

    n = len(maker.y)
    even = np.ones(n)
    say(LINE)
    linear = maker.fold_bases("linear", even)
    if n < POOLS_FROM or maker.flags.shape[1] < 3:
        return maker, "linear", even, linear
    say(POOLS)
    first = maker.fit("pooled", even, np.arange(n))
    weight = _row_weights(maker, first)
    left = maker.y - first.log_price(maker.x, maker.flags)
    counted = weight if maker.counts is None else weight * maker.counts
    known = Leftover.of(maker.flags, left, counted)
    maker = replace(maker, together=found_together(known, maker.together.jobs))
    pooled = maker.fold_bases("pooled", weight)
    counts = maker.counts
    errors = [float(np.average((maker.y - maker.outside(b)) ** 2, weights=counts)) for b in (linear, pooled)]
    if errors[1] < errors[0] * (1 - GAIN_WANTED):
        return maker, "pooled", weight, pooled
    return maker, "linear", even, linear


def _row_weights(maker: BaseMaker, base: LinearBase | PooledBase) -> Floats:
    """1 / expected error of each row, mean 1: rows that say little must not drown those that say much."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    mean = base.log_price(maker.x, maker.flags)
    inputs = np.hstack([maker.x, maker.flags, mean[:, None]])
    trees = HistGradientBoostingRegressor(loss="gamma", max_iter=80, max_leaf_nodes=6, learning_rate=0.08,
                                          early_stopping=False)  # fmt: skip
    far = np.maximum(np.abs(maker.y - mean), 1e-3)
    size = trees.fit(inputs, far, sample_weight=maker.counts).predict(inputs)
    weight = 1.0 / np.clip(size, np.quantile(size, 0.02), None)
    # A gift, a nought lost or a machine of another class says little of what such machines bring (Huber 1964).
    weight = weight * np.minimum(1.0, BELIEVED * size / far)
    return np.asarray(weight / weight.mean())


def _trees(steps: int, codes: Floats, columns: Columns) -> Any:
    from sklearn.ensemble import HistGradientBoostingRegressor

    of_numbers = [columns.signs.get(n, 0) for n in columns.knots]
    flags = codes.shape[1] - len(columns.levels) - len(of_numbers)
    directions = [*[0] * len(columns.levels), *of_numbers, *[-1] * flags, 1]
    return HistGradientBoostingRegressor(
        max_iter=steps, max_leaf_nodes=6, learning_rate=0.05, min_samples_leaf=max(20, min(50, len(codes) // 100)),
        early_stopping=False, monotonic_cst=directions,
    )  # fmt: skip


def _choose_trees(
    maker: BaseMaker,
    bases: list[LinearBase | PooledBase],
    codes: Floats,
    columns: Columns,
    say: Progress,
) -> tuple[int, Floats]:
    """How many trees help out of fold, and the out-of-fold error with them, shape (n,)."""
    say(BOOSTING)
    errors = np.empty((len(TREE_STEPS), len(maker.y)))
    for base, (inside, test) in zip(bases, maker.folds, strict=True):
        fitted = base.log_price(maker.x[inside], maker.flags[inside])
        mean = base.log_price(maker.x[test], maker.flags[test])
        trees = _trees(TREE_STEPS[-1], codes, columns)
        given = np.hstack([codes[inside], fitted[:, None]])
        trees.fit(given, maker.y[inside] - fitted, sample_weight=maker.counted(inside))
        inputs = np.hstack([codes[test], mean[:, None]])
        errors[0, test] = maker.y[test] - mean
        for step, more in enumerate(trees.staged_predict(inputs), start=1):
            if step in TREE_STEPS:
                errors[TREE_STEPS.index(step), test] = maker.y[test] - mean - more
    best = fewest_trees(errors, maker.counts)
    return TREE_STEPS[best], errors[best]


def fewest_trees(errors: Floats, counts: Floats | None = None) -> int:
    """Place in TREE_STEPS of the fewest trees that are as good as the best; errors: shape (n_steps, n).

    counts: how much each row counts, shape (n,).

    On a small table "as good" is within one standard error of the paired difference of squared errors, because the
    best of several tries on few rows is the best by luck (measured: 4 % worse than a line on 141 auctions without it).
    """
    squares = errors**2 if counts is None else errors**2 * counts
    best = int(squares.mean(axis=1).argmin())
    behind = squares - squares[best]
    n = squares.shape[1]
    if n < POOLS_FROM:
        good = behind.mean(axis=1) <= behind.std(axis=1) / np.sqrt(n)
        return int(np.flatnonzero(good)[0])
    good = behind.mean(axis=1) <= squares[best].mean() * GAIN_WANTED / 4
    good[: TREE_STEPS.index(FEWEST_TREES)] = False
    return int(np.flatnonzero(good)[0]) if good.any() else TREE_STEPS.index(FEWEST_TREES)
