"""From a table to numbers: what each column may hold, and the design matrix of the attributes.

Columns come in three sorts. Categorical columns become one 0/1 column a level. Numeric columns become ramps between
knots, so that a slope may change and a direction that is known (a sign) can be held piece by piece. A numeric column
with a sign whose values are only 0, 1 and 2 is a *flag*: absent, slight, serious; its levels are separate effects.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

MOST_LEVELS = 60
THE_REST = "(all others)"
"""The level that stands for all that are seen too rarely to stand for themselves."""

FEWEST_KNOWN = 10
"""Rows that must say something of a column before it is looked at."""

KNOT_SHARES = {0: (), 2: (0.33, 0.67), 5: (0.15, 0.35, 0.55, 0.75, 0.92)}


class TableError(ValueError):
    """A table cannot be used; the message names the column, what was expected and what came."""


@dataclass(frozen=True)
class Columns:
    """The columns of a table as learned from the training rows.

    levels: allowed values by categorical column. knots: ends and inner knots by numeric column, in its own unit, or
    in logs for the columns of `logs`. flags: columns of 0, 1, 2 whose value lowers the price (sign -1).
    """

    levels: Mapping[str, tuple[object, ...]]
    knots: Mapping[str, tuple[float, ...]]
    flags: tuple[str, ...]
    signs: Mapping[str, int]
    logs: frozenset[str] = frozenset()
    crossed: tuple[tuple[str, str], ...] = ()
    unknown: tuple[str, ...] = ()

    @property
    def attributes(self) -> tuple[str, ...]:
        """Columns that are not flags, categorical ones first."""
        return (*self.levels, *self.knots)

    @cached_property
    def ends(self) -> tuple[Floats, Floats]:
        """The least and the largest number that training saw, shape (n_numeric,) each, in logs where `logs` says so."""
        low, high = ([knots[end] for knots in self.knots.values()] for end in (0, -1))
        return np.array(low, dtype=float), np.array(high, dtype=float)

    @cached_property
    def in_logs(self) -> list[int]:
        """Places among the numbers of those that are seen in logs."""
        return [place for place, name in enumerate(self.knots) if name in self.logs]

    @cached_property
    def with_unknowns(self) -> tuple[str, ...]:
        """The attributes that had unknowns in training, in their order."""
        return tuple(name for name in self.attributes if name in self.unknown)

    @cached_property
    def recipe(self) -> Recipe:
        """How the attribute columns are made of these: asked for with every row."""
        return recipe(self)


def learn_columns(
    table: pd.DataFrame,
    numeric: Sequence[str],
    categorical: Sequence[str],
    signs: Mapping[str, int],
    logs: Sequence[str] = (),
    lines: Sequence[str] = (),
    crossed: Sequence[tuple[str, str]] = (),
) -> Columns:
    """Read levels, knots and flags off the training rows; raises TableError for columns that cannot be used."""
    _check_declared(table, numeric, categorical, signs)
    values = {name: _numbers(table, name) for name in numeric}
    flags = tuple(name for name in numeric if signs.get(name) == -1 and _is_flag(values[name]))
    inner = 5 if len(table) >= 2000 else 2 if len(table) >= 300 else 0
    levels = {name: _levels(table, name) for name in categorical}
    plain = [n for n in numeric if n not in flags]
    return Columns(
        levels=levels,
        knots={n: _knots(values[n], 0 if n in lines else inner, n in logs, n) for n in plain},
        flags=flags,
        signs=dict(signs),
        logs=frozenset(logs),
        crossed=tuple(crossed),
        unknown=tuple(n for n in (*levels, *plain) if table[n].isna().any()),
    )


def _check_declared(
    table: pd.DataFrame, numeric: Sequence[str], categorical: Sequence[str], signs: Mapping[str, int]
) -> None:
    names = [*numeric, *categorical]
    missing = [name for name in names if name not in table.columns]
    if missing:
        msg = f"expected the columns {', '.join(names)}, the table has no {', '.join(missing)}"
        raise TableError(msg)
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        msg = f"a column is numeric or categorical once, got twice: {', '.join(twice)}"
        raise TableError(msg)
    for name, sign in signs.items():
        if name not in numeric or sign not in (-1, 1):
            msg = f"signs maps a numeric column to +1 or -1, got {name!r}: {sign!r}"
            raise TableError(msg)


def _numbers(table: pd.DataFrame, name: str) -> Floats:
    import pandas as pd

    try:
        values = pd.to_numeric(table[name]).astype(float).to_numpy()
    except (TypeError, ValueError) as error:
        msg = f"column {name}: expected numbers, got {error}"
        raise TableError(msg) from None
    if np.isinf(values).any():
        msg = f"column {name}: expected finite numbers or nothing, got infinity"
        raise TableError(msg)
    return np.asarray(values)


def _is_flag(values: Floats) -> bool:
    known = values[~np.isnan(values)]
    return len(known) == len(values) and bool(np.isin(known, (0.0, 1.0, 2.0)).all())


def says_enough(column: pd.Series) -> bool:
    """Whether enough rows say something of a column for it to be looked at."""
    return int(column.notna().sum()) >= min(FEWEST_KNOWN, max(len(column) // 2, 1))


def _levels(table: pd.DataFrame, name: str) -> tuple[object, ...]:
    seen = table[name].dropna().value_counts().to_dict()
    levels = sorted(seen, key=str)
    if len(levels) <= MOST_LEVELS:
        return tuple(levels)
    # Hundreds of levels: those seen most stand for themselves, the rest for each other.
    often = sorted(levels, key=lambda level: -seen[level])[: MOST_LEVELS - 1]
    return (*sorted(often, key=str), THE_REST)


def _knots(values: Floats, inner: int, in_logs: bool, name: str) -> tuple[float, ...]:
    known = values[~np.isnan(values)]
    if len(known) == 0:
        msg = f"column {name}: expected some numbers, got none"
        raise TableError(msg)
    if in_logs and known.min() <= 0:
        msg = f"column {name}: expected numbers above 0 for a log scale, got {known.min():g}"
        raise TableError(msg)
    known = np.log(known) if in_logs else known
    distinct = np.unique(known)
    if inner and 3 <= len(distinct) <= 8:
        return tuple(float(k) for k in distinct)
    knots = np.unique([distinct[0], *(np.quantile(known, s) for s in KNOT_SHARES[inner]), distinct[-1]])
    return tuple(float(k) for k in knots) if len(knots) > 1 else (float(knots[0]), float(knots[0]) + 1.0)


# ------------------------------------------------------------------------------------------------------- coded values
@dataclass(frozen=True)
class Coded:
    """Rows in numbers, unknown as NaN.

    categories: shape (n, n_categorical), level index. numbers: shape (n, n_numeric), logs taken and held inside the
    range of the training rows. flags: shape (n, n_flags), 0, 1, 2.
    """

    categories: Floats
    numbers: Floats
    flags: Floats

    def __len__(self) -> int:
        return len(self.flags)


def code_table(table: pd.DataFrame, columns: Columns) -> Coded:
    """Code the rows of a table; raises TableError for a missing column, and for what training never saw."""
    missing = [name for name in (*columns.attributes, *columns.flags) if name not in table.columns]
    if missing:
        msg = f"expected the columns that the model was fitted on, the table has no {', '.join(missing)}"
        raise TableError(msg)
    categories = [_code_levels(table, name, levels) for name, levels in columns.levels.items()]
    numbers = _stack([_positive_in_logs(table, name, columns) for name in columns.knots], len(table))
    flags = [_numbers(table, name) for name in columns.flags]
    for name, values in zip(columns.flags, flags, strict=True):
        if not np.isin(values, (0.0, 1.0, 2.0)).all():
            msg = f"column {name}: expected 0, 1 or 2, got {values[~np.isin(values, (0.0, 1.0, 2.0))][0]:g}"
            raise TableError(msg)
    return Coded(_stack(categories, len(table)), scaled(numbers, columns), _stack(flags, len(table)))


def _stack(parts: list[Floats], rows: int) -> Floats:
    return np.column_stack(parts).astype(float) if parts else np.zeros((rows, 0))


def _code_levels(table: pd.DataFrame, name: str, levels: tuple[object, ...]) -> Floats:
    import pandas as pd

    column = table[name]
    codes = pd.Index(list(levels), dtype=object).get_indexer(pd.Index(column.astype(object))).astype(float)
    strange = (codes < 0) & column.notna().to_numpy()
    if THE_REST in levels:
        codes[strange], strange = float(levels.index(THE_REST)), np.zeros(len(codes), dtype=bool)
    if strange.any():
        msg = f"column {name}: expected one of {', '.join(map(str, levels))}, got {column[strange].iloc[0]}"
        raise TableError(msg)
    return np.where(codes < 0, np.nan, codes)


def _positive_in_logs(table: pd.DataFrame, name: str, columns: Columns) -> Floats:
    values = _numbers(table, name)
    if name in columns.logs and (values <= 0).any():
        msg = f"column {name}: expected numbers above 0, got {values[values <= 0][0]:g}"
        raise TableError(msg)
    return values


def scaled(numbers: Floats, columns: Columns) -> Floats:
    """Numbers, shape (n, n_numeric), as the model sees them: in logs where it does, inside the training range."""
    seen, (low, high) = numbers.copy(), columns.ends
    seen[:, columns.in_logs] = np.log(numbers[:, columns.in_logs])
    return np.asarray(np.minimum(np.maximum(seen, low), high))


def runs(
    rows: Floats, but: npt.NDArray[np.intp] | None = None
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Where runs of equal rows begin, and the run of each row, shape (n,): one machine stands in many rows together.

    but: columns that may differ within a run. Bit by bit, so that a blank equals a blank.

    >>> [each.tolist() for each in runs(np.array([[1.0], [1.0], [2.0], [1.0]]))]
    [[0, 2, 3], [0, 0, 1, 2]]
    """
    bits = rows.view(np.int64)
    differ = bits[1:] != bits[:-1]
    if but is not None:
        differ[:, but] = False
    new = np.ones(len(rows), dtype=bool)
    new[1:] = differ.any(axis=1)
    return new.nonzero()[0], new.cumsum() - 1


# ------------------------------------------------------------------------------------------------------ design matrix
def ramps(values: Floats, low: Floats, high: Floats) -> Floats:
    """How far each value has come from low to high, 0 to 1; shape (n, p) of values and of what comes, (p,) of ends."""
    return np.asarray(np.minimum(np.maximum((values - low) / (high - low), 0.0), 1.0))


def coarse(knots: Sequence[float]) -> list[float]:
    """Return fewer knots, for crossed columns: both ends and the middle one."""
    return [knots[0], knots[len(knots) // 2], knots[-1]] if len(knots) > 3 else list(knots)


@dataclass(frozen=True)
class Piece:
    """One ramp of a numeric column: where it rises, and the level it belongs to when it is crossed with one."""

    number: str
    low: float
    high: float
    crossed_with: str = ""


@dataclass(frozen=True)
class Design:
    """The attribute columns: names, the sign each coefficient keeps (0: free), and the ramp each one is, if it is."""

    names: tuple[str, ...]
    signs: npt.NDArray[np.int8]
    pieces: tuple[Piece | None, ...]


@dataclass(frozen=True)
class Recipe:
    """How every attribute column is made: a share of the row times a ramp of a number, either of which may be 1.

    Shapes: share, ramp (p,); number, low, high (n_ramps,). Shares count the 1, then the levels of all categorical
    columns, then what is not said of each attribute with unknowns; ramps the 1, then those of a number from low to
    high.
    """

    design: Design
    share: Places
    ramp: Places
    number: Places
    low: Floats
    high: Floats


def recipe(columns: Columns) -> Recipe:
    """The columns of the design in their order: levels, ramps, what is not said, and what is crossed."""
    starts = np.cumsum([1, *(len(levels) for levels in columns.levels.values())]).tolist()
    first, numbers = dict(zip(columns.levels, starts, strict=False)), list(columns.knots)
    made: list[tuple[str, Piece | None, int]] = []  # name, ramp and share
    for name, levels in columns.levels.items():
        made += [(f"{name}={level}", None, first[name] + i) for i, level in enumerate(levels)]
    for name, knots in columns.knots.items():
        made += [(f"{name}/{i}", piece, 0) for i, piece in enumerate(_pieces(name, knots))]
    for share, name in enumerate(columns.with_unknowns, start=starts[-1]):
        made.append((f"{name}=?", None, share))
        if name in columns.knots:
            made += _crossed(columns, name, f"{name}?", "?", share)
    for level_name, number_name in columns.crossed:
        for i, level in enumerate(columns.levels[level_name]):
            made += _crossed(columns, number_name, level_name, level, first[level_name] + i)
    pieces = tuple(piece for _, piece, _ in made)
    signs = np.array([columns.signs.get(p.number, 0) if p else 0 for p in pieces], dtype=np.int8)
    rising = [piece for piece in pieces if piece]
    place = np.cumsum([piece is not None for piece in pieces], dtype=np.intp)
    return Recipe(
        design=Design(tuple(name for name, _, _ in made), signs, pieces),
        share=np.array([share for _, _, share in made], dtype=np.intp),
        ramp=np.where([piece is None for piece in pieces], 0, place),
        number=np.array([numbers.index(piece.number) for piece in rising], dtype=np.intp),
        low=np.array([piece.low for piece in rising]),
        high=np.array([piece.high for piece in rising]),
    )


def _pieces(name: str, knots: Sequence[float]) -> list[Piece]:
    return [Piece(name, *ends) for ends in pairwise(knots)]


def _crossed(
    columns: Columns, name: str, level_name: str, level: object, share: int
) -> list[tuple[str, Piece, int]]:
    """The coarse ramps of a number, each times the share of a level."""
    return [
        (f"{level_name}={level}*{name}/{i}", replace(piece, crossed_with=level_name), share)
        for i, piece in enumerate(_pieces(name, coarse(columns.knots[name])))
    ]


def design_matrix(shares: Floats, numbers: Floats, told: Floats, columns: Columns) -> Floats:
    """Build the attribute columns, shape (n, p), those of `recipe`.

    shares: chance of each level of all categorical columns, shape (n, n_levels): 1 for a told level. numbers: told or
    read from the rest, shape (n, n_numeric). told: 1.0 where the row says it, shape (n, n_unknown), for every attribute
    with unknowns.
    """
    made, one = columns.recipe, np.ones((len(numbers), 1))
    of_row = np.concatenate([one, shares, 1.0 - told], axis=1)
    rising = np.concatenate([one, ramps(numbers[:, made.number], made.low, made.high)], axis=1)
    return np.asarray(of_row.take(made.share, axis=1) * rising.take(made.ramp, axis=1))


def keep_signs(slopes: Floats, design: Design) -> Floats:
    """Slopes with every signed number going its way for every combination of levels; shape (p,), raw columns.

    The slope of a number inside a piece is its own plus that of each level it is crossed with. Its own is held to its
    sign; then each level may take back no more than an equal part of it.
    """
    kept = np.where(
        design.signs > 0, np.maximum(slopes, 0.0), np.where(design.signs < 0, np.minimum(slopes, 0.0), slopes)
    )
    pieces = [p for p in design.pieces if p]
    for k, piece in enumerate(design.pieces):
        sign = int(design.signs[k])
        if piece is None or not sign or not piece.crossed_with:
            continue
        partners = len({p.crossed_with for p in pieces if p.crossed_with and p.number == piece.number})
        room = min(_own_slopes(kept, design, piece, sign)) * (piece.high - piece.low) / partners
        kept[k] = sign * max(sign * slopes[k], -room)
    return kept


def _own_slopes(slopes: Floats, design: Design, piece: Piece, sign: int) -> list[float]:
    """Signed own slopes of the number, a unit of it, inside a crossed piece."""
    return [
        sign * slopes[i] / (p.high - p.low)
        for i, p in enumerate(design.pieces)
        if p and not p.crossed_with and p.number == piece.number and p.low < piece.high and p.high > piece.low
    ]
