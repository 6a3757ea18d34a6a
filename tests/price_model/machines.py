"""Machines to judge the model on: the reference machine of the trade tables, random ones, and ones from the market."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import strategies as st

from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine, lacks
from valuer.domain.symptoms import raised_when_named
from valuer.market.assumptions import assumptions
from valuer.market.sales import draw_sales
from valuer.price_model.design import Coded
from valuer.price_model.mower import MowerModel

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FAULTS = tuple(fault_catalogue())
LEVEL = {"slight": 1, "serious": 2}
WORDS: dict[str, tuple[object, ...]] = {
    "drive": ("push", "front_one_speed", "front_variable", "rear_variable", "all_wheel", "hydrostatic"),
    "deck_material": ("steel", "composite", "aluminium"),
    "engine_class": ("side_valve", "small_ohv", "mid_ohv", "large_ohv", "overhead_cam"),
    "start": ("rope", "electric"),
    "tier": ("budget", "mid", "premium", "commercial"),
    "looks": ("scarred", "scuffed", "bright"),
    "kept": ("inside", "outside"),
    "blade_clutch": (True, False),
    "mulch_kit": (True, False),
    "high_wheels": (True, False),
}
DECK_OF = {"deck_crack": "aluminium", "deck_rust_hole": "steel", "deck_surface_rust": "steel"}
OIL_LEAKS = ("oil_leak_sump", "oil_leak_seal", "oil_leak_minor")
TIERS = pytest.mark.parametrize(("lower", "higher"), [("budget", "mid"), ("mid", "premium")])
SLACK = 1 + 1e-9
"""Sums of a thousand floats may differ in the last digits."""
NUMBERS = {"age_years": (0.0, 40.0), "deck_width_in": (18.0, 33.0), "new_price": (100.0, 5000.0)}

BLANKS = (*WORDS, *NUMBERS)

# The trade's reference machine: mid tier, rear drive with variable speed, 21 in steel deck, 150-175 cc, rope start,
# bag and mulch plug, six years old, clean, no faults, sold in April or May: about 190, 80 % range 150 to 235.
# Common practice, no source. The class and its new price of 420 to 600 are the same table's.
R190: dict[str, Any] = {
    "id": "R190", "tier": "mid", "drive": "rear_variable", "deck_width_in": 21.0, "deck_material": "steel",
    "engine_class": "mid_ohv", "start": "rope", "mulch_kit": True, "age_years": 6.0, "looks": "bright",
}  # fmt: skip


def machine(**changes: object) -> Machine:
    """The reference machine with some attributes changed; None makes one unknown."""
    known = {name: value for name, value in {**R190, **changes}.items() if value is not None}
    return Machine.model_validate(known)


def attributes() -> st.SearchStrategy[dict[str, Any]]:
    """Attributes at random, each of them unknown now and then."""
    words = {name: st.none() | st.sampled_from(levels) for name, levels in WORDS.items()}
    numbers = {
        name: st.none() | st.floats(*ends).map(lambda v: round(v, 1)) for name, ends in NUMBERS.items()
    }
    return st.fixed_dictionaries({**words, **numbers})


def fault_levels(most: int = 6) -> st.SearchStrategy[dict[str, int]]:
    """Up to `most` faults at random with their levels, 1 or 2."""
    return st.dictionaries(st.sampled_from(FAULTS), st.sampled_from((1, 2)), max_size=most)


@dataclass(frozen=True)
class Judge:
    """Asks the model about n machines at once. rows: coded, shape (n, p); shown faults are in them."""

    model: MowerModel
    machines: tuple[Machine, ...]
    rows: Floats

    @classmethod
    def of(
        cls, model: MowerModel, machines: Sequence[Machine], month: int = 4, *, faults: bool = True
    ) -> "Judge":
        """Code the machines, with their declared faults or without."""
        rows = model.encode(machines, month)
        for row, one in zip(rows, machines if faults else (), strict=bool(faults)):
            for finding in one.faults:
                row[model.fault_column(finding.fault)] = LEVEL[finding.severity]
        return cls(model, tuple(machines), rows)

    def having(self, **levels: int) -> "Judge":
        """The same machines with these faults at these levels."""
        rows = self.rows.copy()
        for fault, level in levels.items():
            rows[:, self.model.fault_column(fault)] = level
        return Judge(self.model, self.machines, rows)

    def shown_tested(self, share: float = np.nan) -> "Judge":
        """The same machines with this share of what can be tested shown tested; NaN where nothing is said of it."""
        model = self.model.price_model
        levels, numbers, start = len(model.columns.levels), list(model.columns.knots), model.widths[0]
        codes = self.rows[:, start : start + model.widths[1]].copy()
        codes[:, levels + numbers.index("tested")] = share
        coded = Coded(codes[:, :levels], codes[:, levels:], self.rows[:, model.flags_start :])
        return Judge(self.model, self.machines, model.rows_of(coded))

    def value(self) -> Floats:
        """Value in money, shape (n,)."""
        return self.model.value(self.rows)

    def width(self) -> Floats:
        """Relative width of the interval: log(high / low), shape (n,)."""
        low, high = self.model.interval(self.rows)
        return np.asarray(np.log(high / low))

    def loss(self, **levels: int) -> Floats:
        """Money that these faults take off, shape (n,)."""
        return self.value() - self.having(**levels).value()

    def excess(self, pair: tuple[str, ...], level: int) -> Floats:
        """By how much the log loss of two faults exceeds the sum of the single ones, on machines that can have both."""
        first, second = pair
        sound = self.value()
        both, one, other = (
            np.log(sound / self.having(**levels).value())
            for levels in ({first: level, second: level}, {first: level}, {second: level})
        )
        return np.asarray((both - one - other)[self.can_have(*pair)])

    def can_have(self, *faults: str) -> Mask:
        """Which machines can have all of these faults, shape (n,). Steel rusts through, cast aluminium cracks."""
        kinds = [fault_catalogue()[fault] for fault in faults]
        decks = {DECK_OF[fault] for fault in faults if fault in DECK_OF}
        return np.array(
            [
                not any(lacks(one, kind) for kind in kinds) and decks <= {one.deck_material}
                for one in self.machines
            ]
        )


def from_market(n: int, seed: int) -> list[Machine]:
    """Machines as sellers describe them: n draws from the market, faults and unknowns as they come."""
    _, table = draw_sales(n, seed)
    assert set(assumptions().fault_ids) < set(FAULTS)
    return [as_machine(f"m{i}", row) for i, row in enumerate(table.to_dict("records"))]


def as_machine(name: str, row: dict[Any, Any]) -> Machine:
    """A machine from one row of a sales table."""
    told = {key: row[key] for key in (*WORDS, *NUMBERS) if row[key] is not None and row[key] == row[key]}
    faults = [text for text in row["faults"].split(";") if text]
    return Machine.model_validate({"id": name, **{k: plain(v) for k, v in told.items()}, "faults": faults})


def plain(value: object) -> object:
    """A numpy scalar as the Python value it stands for."""
    return value.item() if isinstance(value, np.generic) else value


def changed(one: Machine, **changes: object) -> Machine:
    """A machine with attributes replaced; None makes one unknown. Faults that no longer fit are dropped."""
    kept = {name: getattr(one, name) for name in (*WORDS, *NUMBERS)} | changes
    bare = Machine.model_validate({"id": one.id, **{k: v for k, v in kept.items() if v is not None}})
    fitting = [str(f) for f in one.faults if not lacks(bare, fault_catalogue()[f.fault])]
    return Machine.model_validate(
        {"id": one.id, **{k: v for k, v in kept.items() if v is not None}, "faults": fitting}
    )


def explains(row: Floats) -> npt.NDArray[np.bool_]:
    """Whether each fault is what says where a symptom of the row comes from, nothing else of it saying so."""
    there = {fault for fault, level in zip(FAULTS, row, strict=True) if level}
    alone = [
        fault
        for symptom, causes in raised_when_named().items()
        for fault in causes
        if symptom in there and not there.intersection(causes) - {fault}
    ]
    return np.array([fault in alone for fault in FAULTS])
