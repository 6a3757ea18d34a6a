"""The mower model: sales of mowers through `fit_price_model`, and the values that advice asks for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import exp
from typing import TYPE_CHECKING, Any

import numpy as np

from valuer.advice.ports import Basis, Beyond, Months
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.looked_for import tested_share
from valuer.domain.machine import Machine
from valuer.domain.symptoms import jobs, raised_when_named
from valuer.domain.words import did_you_mean
from valuer.price_model.design import Coded, Floats, TableError, scaled
from valuer.price_model.fit import PriceModel, Progress, fit_price_model
from valuer.price_model.hedonic import Penalties
from valuer.price_model.selling import SellingModel

if TYPE_CHECKING:
    import pandas as pd

CATEGORICAL = (
    "drive", "deck_material", "engine_class", "start", "tier", "looks", "kept", "blade_clutch", "mulch_kit",
    "high_wheels",
)  # fmt: skip
NUMERIC = ("age_years", "deck_width_in", "new_price", "tested")
SEASON = ("season_sin", "season_cos", "season_sin2", "season_cos2")
SALE_COLUMNS = (*CATEGORICAL, *NUMERIC, "month", "faults", "price")
OPTIONAL = ("tested",)
"""Columns that a file of sales need not have."""

EDGE = 1e-9
"""Share by which a number may pass the end of the data: rounding of a logarithm, no more."""

LEVELS = {"slight": 1.0, "serious": 2.0}


def season(month: Floats) -> dict[str, Floats]:
    """Two harmonics of the year: smooth, and December stands beside January."""
    turn = 2 * np.pi * np.asarray(month, dtype=float) / 12.0
    return dict(zip(SEASON, (np.sin(turn), np.cos(turn), np.sin(2 * turn), np.cos(2 * turn)), strict=True))


SEASONS = season(np.arange(1.0, 13.0))
"""Those of each month, shape (12,)."""


def model_table(sales: pd.DataFrame) -> pd.DataFrame:
    """Sales as recorded -> the columns of the model: attributes, season, one column of 0, 1, 2 a fault, price.

    Raises TableError with the column, the first bad row and what to do.
    """
    import pandas as pd

    missing = [c for c in SALE_COLUMNS if c not in sales.columns and c not in OPTIONAL]
    if missing:
        msg = f"expected the columns {', '.join(SALE_COLUMNS)}; missing: {', '.join(missing)}"
        raise TableError(msg)
    table = sales.reindex(columns=[*CATEGORICAL, *NUMERIC])
    month = pd.to_numeric(sales["month"], errors="coerce").to_numpy(dtype=float)
    if not np.isin(month, np.arange(1, 13)).all():
        row = int((~np.isin(month, np.arange(1, 13))).argmax())
        msg = f"column month: expected 1 to 12, got {sales['month'].iloc[row]} in row {row}"
        raise TableError(msg)
    seasons = pd.DataFrame(season(month), index=sales.index)
    price = pd.to_numeric(sales["price"], errors="coerce").rename("price")
    return pd.concat([table, seasons, fault_table(sales["faults"]), price], axis=1)


def fault_table(faults: pd.Series) -> pd.DataFrame:
    """Texts of `fault_id:severity` pairs joined by `;` -> one column of 0, 1, 2 a fault of the catalogue."""
    import pandas as pd

    place = {name: i for i, name in enumerate(fault_catalogue())}
    levels = np.zeros((len(faults), len(place)))
    for row, text in enumerate(faults):
        if not isinstance(text, str) or not text:
            continue
        for pair in text.split(";"):
            name, _, severity = pair.strip().partition(":")
            if name not in place or severity not in LEVELS:
                hint = "" if name in place else did_you_mean(name, place)
                wanted = "expected fault_id:slight or fault_id:serious"
                msg = f"column faults: {wanted}, got {pair!r}{hint} in row {row}"
                raise TableError(msg)
            if levels[row, place[name]]:
                msg = f"column faults: a fault may stand once on a machine, got {name} twice in row {row}"
                raise TableError(msg)
            levels[row, place[name]] = LEVELS[severity]
    return pd.DataFrame(levels, columns=list(place), index=faults.index)


@dataclass(frozen=True, repr=False)  # a third of a million characters of numbers tell a reader nothing
class MowerModel:
    """Values of machines: the fitted price model, how often it saw each fault, and where it comes from.

    pairs: two attributes and their words that some training sale has together.
    selling: how listings sell, kept with the values it belongs to; None where only values were trained.
    """

    price_model: PriceModel
    seen: Mapping[tuple[str, str], int]
    basis: Basis
    pairs: frozenset[tuple[str, object, str, object]] = frozenset()
    selling: SellingModel | None = None

    @property
    def of_invented_market(self) -> bool:
        """Whether it was trained on invented sales alone."""
        return self.basis.synthetic and not self.basis.own_sales

    def encode(self, machines: Sequence[Machine], month: Months) -> Floats:
        """Coded rows of shape (n, p) with every fault absent; unknowns are read from the faults that are there.

        A cause beside its symptom is one fault, the symptom: naming it tells nothing of the rest of the machine.
        """
        columns = self.price_model.columns
        every, of = _each_once(machines)
        codes = [[level.get(getattr(m, name), np.nan) for name, level in self._levels.items()] for m in every]
        numbers = np.empty((len(machines), len(columns.knots)))
        for place, name in enumerate(columns.knots):
            numbers[:, place] = (
                SEASONS[name][np.asarray(month) - 1] if name in SEASONS else _numbers(every, name)[of]
            )
        flags = np.zeros((len(every), len(columns.flags)))
        for row, machine in enumerate(every):
            there = findings(machine)
            named = {cause for finding in there for cause in fault_catalogue()[finding.fault].causes}
            for finding in there:
                if finding.fault not in named:
                    flags[row, self._place[finding.fault]] = LEVELS[finding.severity]
        categories = np.array(codes, dtype=float).reshape(len(every), len(self._levels))
        rows = self.price_model.rows_of(Coded(categories[of], scaled(numbers, columns), flags[of]))
        rows[:, self.price_model.flags_start :] = 0.0
        return rows

    @cached_property
    def _levels(self) -> dict[str, dict[object, float]]:
        """Codes of the levels by column; one that no training sale showed is missing, and so counts as not said."""
        levels = self.price_model.columns.levels
        return {name: {level: float(i) for i, level in enumerate(known)} for name, known in levels.items()}

    @cached_property
    def _place(self) -> dict[str, int]:
        return {name: i for i, name in enumerate(self.price_model.columns.flags)}

    def fault_column(self, fault: str) -> int:
        """Column of a coded row that holds 0, 1 or 2 for this fault."""
        return self._column[fault]

    @cached_property
    def _column(self) -> dict[str, int]:
        return {fault: self.price_model.flags_start + place for fault, place in self._place.items()}

    def value(self, rows: Floats) -> Floats:
        """Value of coded rows, shape (n,), in dollars: exp of the mean log price."""
        return np.asarray(np.exp(self.price_model.log_value(rows)))

    def interval(self, rows: Floats, value: Floats | None = None) -> tuple[Floats, Floats]:
        """Ends of the 80 % interval of the sale price, each of shape (n,), in dollars; value: where it is known."""
        value = self.value(rows) if value is None else value
        down, up = self.price_model.reach(rows)
        return value * np.exp(-down), value * np.exp(up)

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        """Numbers outside those of the training sales, words and pairs of words that none of them has."""
        said = [(name, getattr(machine, name)) for name in CATEGORICAL if getattr(machine, name) is not None]
        known = [(name, word) for name, word in said if word in self._levels.get(name, ())]
        alone = [Beyond(name, word) for name, word in said if (name, word) not in known]
        together = [
            Beyond(name, word, beside=other)
            for (name, word), other in combinations(known, 2)
            if (name, word, *other) not in self.pairs
        ]
        return (*self._numbers_beyond(machine), *alone, *together)

    def _numbers_beyond(self, machine: Machine) -> list[Beyond]:
        columns, found = self.price_model.columns, []
        for name in (name for name in NUMERIC if name in columns.knots):
            value, ends = number(machine, name), (columns.knots[name][0], columns.knots[name][-1])
            low, high = (exp(end) for end in ends) if name in columns.logs else ends
            if value is not None and not low * (1 - EDGE) <= value <= high * (1 + EDGE):
                found.append(Beyond(name, value, (low, high)))
        return found

    def records(self, fault: str, severity: str) -> int:
        """How many training sales show the fault at this severity."""
        return self.seen.get((fault, severity), 0)


def _each_once(machines: Sequence[Machine]) -> tuple[list[Machine], list[int]]:
    """The machines, each once, and the place of every one among them: one is asked about in many months."""
    every = {id(machine): machine for machine in machines}
    place = {key: number for number, key in enumerate(every)}
    return list(every.values()), [place[id(machine)] for machine in machines]


def _numbers(machines: Sequence[Machine], name: str) -> Floats:
    return np.array([np.nan if (said := number(m, name)) is None else said for m in machines], dtype=float)


def number(machine: Machine, name: str) -> float | None:
    """A number of the model that a machine says; how far it was tested is told by its readings and checks."""
    return tested_share(machine) if name == "tested" else getattr(machine, name)


SIGNS: Mapping[str, int] = {"age_years": -1, "tested": 1, **dict.fromkeys(fault_catalogue(), -1)}
WORST_CASES = (
    ("oil_leak_unknown", ("oil_leak_sump", "oil_leak_seal", "oil_leak_minor")),
    ("no_start", ("weak_spark", "sheared_key", "stale_fuel", "choke_fault")),
)
"""A leak of unknown source, an engine that does not start for an unknown reason: priced as the worst it may turn out to
be, so that naming it never lowers what the machine brings (common practice, no source)."""

FIT_OPTIONS: Mapping[str, Any] = {
    "logs": ("new_price",),
    "lines": ("new_price", *SEASON),
    "crossed": (("tier", "age_years"), ("drive", "age_years"), ("tier", "new_price")),
    "jobs": jobs(),
    "worst_cases": WORST_CASES,
    "named": tuple(raised_when_named().items()),
    "narrows": ("tested",),
}
"""How `fit_price_model` is asked to see mowers."""


def train_mower_model(
    sales: pd.DataFrame, basis: Basis, progress: Progress | None = None, counts: Floats | None = None,
    penalties: Penalties = Penalties(),
) -> MowerModel:  # fmt: skip
    """Train on recorded sales, a frame with the columns of SALE_COLUMNS.

    counts: how much each row counts, shape (n,), above 0 and at most 1; all as one sale where it is not given.
    penalties: as of `fit_price_model`.
    """
    table = model_table(sales)
    faults = list(fault_catalogue())
    model = fit_price_model(
        table,
        "price",
        [*NUMERIC, *SEASON, *faults],
        CATEGORICAL,
        SIGNS,
        **FIT_OPTIONS,
        progress=progress,
        counts=counts,
        penalties=penalties,
    )
    seen = {
        (fault, severity): int((table[fault] == level).sum())
        for fault in faults
        for severity, level in LEVELS.items()
    }
    return MowerModel(model, seen, basis, seen_together(table))


def seen_together(table: pd.DataFrame) -> frozenset[tuple[str, object, str, object]]:
    """Pairs of attributes with the words that some row has together, in the order of CATEGORICAL."""
    found: set[tuple[str, object, str, object]] = set()
    for first, second in combinations(CATEGORICAL, 2):
        both = table[[first, second]].dropna().drop_duplicates()
        found |= {(first, a, second, b) for a, b in both.itertuples(index=False)}
    return frozenset(found)
