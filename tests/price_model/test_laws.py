"""The laws that the model keeps by construction, whatever machine, whatever is unknown, whatever was learned.

No fault adds value, a worse severity never costs less, and older is never worth more (sanity facts T01, T02 and T24 of
the trade: "if the tool says otherwise, a repairer would laugh"; common practice, no source). What names the
cause of a symptom is no fault more: a non-runner that somebody has looked into may bring more for it.
"""

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.price_model.machines import FAULTS, Floats, attributes, explains, fault_levels
from valuer.advice.worth.lattice import Lattice, lattices, scene_of
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine, lacks
from valuer.domain.shop import ShopTerms
from valuer.price_model.corrected import CorrectedModel
from valuer.price_model.design import Columns
from valuer.price_model.fit import PriceModel, fit_price_model
from valuer.price_model.local_correction import Correction
from valuer.price_model.mower import MowerModel, season

SLACK = 1 + 1e-9
"""Sums of a thousand floats may differ in the last digits."""
described = st.builds(
    lambda known, tested: known | {"tested": tested}, attributes(), st.none() | st.floats(0.0, 1.0)
)
laws = settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def table_of(known: dict[str, Any], month: int, levels: npt.ArrayLike) -> pd.DataFrame:
    """One machine many times, each row with its own fault levels of shape (n, n_faults)."""
    faults = pd.DataFrame(np.asarray(levels, dtype=float), columns=list(FAULTS))
    columns: dict[str, object] = {name: [value] * len(faults) for name, value in known.items()}
    frame = pd.DataFrame(columns, dtype=object)
    return pd.concat(
        [frame.assign(**{k: v[0] for k, v in season(np.array([month])).items()}), faults], axis=1
    )


def some_faults(levels: dict[str, int]) -> Floats:
    """A row of fault levels in the order of the catalogue."""
    return np.array([float(levels.get(fault, 0)) for fault in FAULTS])


def one_more(row: Floats, level: int) -> Floats:
    """For each fault, the row with that fault brought to at least this level; shape (n_faults, n_faults)."""
    return np.maximum(row, level * np.eye(len(row)))


@laws
@given(known=described, levels=fault_levels(), month=st.integers(1, 12))
def test_no_fault_adds_value_and_no_worse_one_costs_less(
    mower_model: MowerModel, known: dict[str, Any], levels: dict[str, int], month: int
) -> None:
    """Through `predict`, where what is unknown is read off the rest, faults included."""
    row = some_faults(levels)
    rows = np.vstack([row, one_more(row, 1), one_more(row, 2)])
    value = mower_model.price_model.predict(table_of(known, month, rows))["value"].to_numpy()
    bare, slight, serious = value[0], *np.split(value[1:], 2)
    assert (slight <= bare * SLACK)[~explains(row)].all()
    assert (serious <= slight * SLACK).all()


@laws
@given(known=described, levels=fault_levels(), month=st.integers(1, 12))
def test_older_is_never_worth_more(
    mower_model: MowerModel, known: dict[str, Any], levels: dict[str, int], month: int
) -> None:
    ages = np.array([0.0, 0.1, 0.5, *np.arange(1.0, 30.0, 0.7), 40.0])
    table = table_of(known, month, np.tile(some_faults(levels), (len(ages), 1))).assign(age_years=ages)
    value = mower_model.price_model.predict(table)["value"].to_numpy()
    assert (value[1:] <= value[:-1] * SLACK).all()


def described_with(known: dict[str, Any], levels: dict[str, int]) -> tuple[Machine, dict[str, int]]:
    """The machine, and the levels of those of the faults that it can have."""
    bare = Machine.model_validate({"id": "m", **{k: v for k, v in known.items() if v is not None}})
    fitting = {fault: level for fault, level in levels.items() if not lacks(bare, fault_catalogue()[fault])}
    serious_only = {fault for fault in FAULTS if not fault_catalogue()[fault].slight}
    texts = [f"{f}:{'serious' if n == 2 or f in serious_only else 'slight'}" for f, n in fitting.items()]
    return Machine.model_validate({**bare.model_dump(exclude_unset=True), "faults": texts}), fitting


def adds(lattice: Lattice) -> list[str]:
    """Faults of a lattice whose cure lowers some price of it."""
    sides = [[np.take(lattice.certain, at, axis) for at in (0, 1)] for axis in range(lattice.certain.ndim)]
    return [
        str(item)
        for item, (gone, there) in zip(lattice.findings, sides, strict=True)
        if not (there <= gone * SLACK).all()
    ]


@laws
@given(known=attributes(), levels=fault_levels(), month=st.integers(1, 12))
def test_coded_rows_keep_the_laws_too(
    mower_model: MowerModel, known: dict[str, Any], levels: dict[str, int], month: int
) -> None:
    """Through `encode` and `value`, as advice asks: one machine, every fault added and cured in its coded row."""
    one, fitting = described_with(known, levels)
    coded = mower_model.encode([one], month)
    places = [mower_model.fault_column(fault) for fault in FAULTS]
    assert not coded[:, places].any(), "the coded row leaves the faults to whoever asks"
    row = some_faults(fitting)
    levels_of_rows = np.vstack([row, one_more(row, 1), one_more(row, 2), row * (1 - np.eye(len(row)))])
    rows = np.repeat(coded, len(levels_of_rows), axis=0)
    rows[:, places] = levels_of_rows
    value = mower_model.value(rows)
    bare_value, slight, serious, cured = value[0], *np.split(value[1:], 3)
    assert (slight <= bare_value * SLACK)[~explains(row)].all()
    assert (serious <= slight * SLACK).all()
    assert (cured >= bare_value / SLACK)[~explains(row)].all(), "curing never lowers value"


@laws
@given(known=attributes(), levels=fault_levels(), month=st.integers(1, 12))
def test_what_advice_prices_keeps_the_laws_without_exception(
    mower_model: MowerModel, known: dict[str, Any], levels: dict[str, int], month: int
) -> None:
    """Of a lattice: curing what explains a symptom half never lowers what a machine brings."""
    one, _ = described_with(known, levels | {"no_start": 2})
    terms = ShopTerms(month=month)
    (lattice,) = lattices([scene_of(one, terms)], mower_model, terms)
    assert not adds(lattice)


def test_curing_what_keeps_up_half_an_explanation_never_lowers_a_price(mower_model: MowerModel) -> None:
    """Slack valves bring low compression about, which explains not starting half: it goes with them, and is not missed.

    On a model that own sales bend too. Found among machines drawn by the thousand.
    """
    one = Machine.model_validate(
        {"id": "m", "tier": "mid", "drive": "rear_variable", "age_years": 6.0}
        | {
            "faults": [
                "no_start:serious",
                "low_compression:slight",
                "valve_lash_out:serious",
                "hard_start:slight",
            ]
        }
    )
    terms = ShopTerms(month=5)
    bent = CorrectedModel(
        mower_model, Correction(own_sales=1, other_faults=1.4, fault_factor=(("no_start", 0.7),))
    )
    for model in (mower_model, bent):
        (lattice,) = lattices([scene_of(one, terms)], model, terms)
        assert not adds(lattice)


@laws
@given(known=attributes(), levels=fault_levels(), month=st.integers(1, 12))
def test_a_declared_fault_never_adds_value_through_what_it_hints_at(
    mower_model: MowerModel, known: dict[str, Any], levels: dict[str, int], month: int
) -> None:
    """A rusty deck hints at age. Where the age is unknown, the hint may only lower the value."""
    bare = Machine.model_validate({"id": "m", **{k: v for k, v in known.items() if v is not None}})
    fitting = [f for f in levels if not lacks(bare, fault_catalogue()[f])]
    told = Machine.model_validate(
        {**bare.model_dump(exclude_unset=True), "faults": [f"{f}:serious" for f in fitting]}
    )
    rows = mower_model.encode([bare, told], month)
    rows[1, [mower_model.fault_column(fault) for fault in fitting]] = 2.0
    before, after = mower_model.value(rows)
    assert after <= before * SLACK


@laws
@given(known=described, levels=fault_levels(), month=st.integers(1, 12))
def test_an_interval_holds_its_value(
    mower_model: MowerModel, known: dict[str, Any], levels: dict[str, int], month: int
) -> None:
    shown = mower_model.price_model.predict(table_of(known, month, [some_faults(levels)])).iloc[0]
    assert 0 < shown["low"] < shown["value"] < shown["high"] < np.inf


def contrary_sales(n: int, seed: int) -> pd.DataFrame:
    """Sales in which old and faulty things brought more, as chance in a small book of sales may have it."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        {"age": rng.uniform(0, 10, n), "kind": rng.choice(["a", "b"], n), "flag": rng.integers(0, 3, n)}
    )
    table.loc[rng.random(n) < 0.2, "age"] = np.nan
    log_price = 4 + 0.05 * table["age"].fillna(5) + 0.2 * table["flag"] + rng.normal(0, 0.1, n)
    return table.assign(price=np.exp(log_price))


@pytest.mark.parametrize("n", [40, 400, 2500])
def test_known_directions_hold_whatever_the_data_say(n: int) -> None:
    model = fit_price_model(contrary_sales(n, 1), "price", ["age", "flag"], ["kind"], {"age": -1, "flag": -1})
    grid = pd.DataFrame({"age": [*np.linspace(-5, 20, 11), np.nan], "kind": "a"})
    by_flag = np.array([model.predict(grid.assign(flag=level))["value"] for level in (0, 1, 2)])
    assert (np.diff(by_flag, axis=0) <= by_flag[:-1] * 1e-9).all()
    assert (np.diff(by_flag[:, :-1], axis=1) <= by_flag[:, :-2] * 1e-9).all()


def test_the_mower_model_declares_all_its_directions(mower_model: MowerModel) -> None:
    """Every fault of the catalogue is a flag and age falls; else the laws above would rest on luck."""
    model: PriceModel = mower_model.price_model
    columns: Columns = model.columns
    assert columns.flags == FAULTS
    assert columns.signs["age_years"] == -1
