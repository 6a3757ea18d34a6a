"""What own sales say about a value model: residuals, and the terms that may explain them.

Everything is on the log scale, where the model's value of a machine is

    log value = log sound value - loss of its faults.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from valuer.advice.ports import FloatArray, Months, ValueModel
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.machine import Finding, Machine, with_changes
from valuer.price_model.place_terms import LEVEL, Seen, season, shown_levels, term_columns

Kind = Literal["own", "sale_seen", "ask_seen"]

USUAL_AGE = 6.0
"""Age in years against which the model's own ageing is measured: that of the reference machine."""

USUAL_MACHINE = Machine.model_validate(
    {"id": "usual", "tier": "mid", "drive": "rear_variable", "age_years": USUAL_AGE, "looks": "scuffed"}
    | {"engine_class": "mid_ohv", "start": "rope", "deck_material": "steel", "deck_width_in": 21.0}
)
"""A machine on which every fault shows what it costs; on one worth little they hide behind each other."""

IN_SEASON = 5
"""Month in which what a fault takes off the usual machine is read."""

HALF_LIFE_DAYS = 548.0
"""A sale weighs half after 18 months (common practice, no source)."""

KIND_WEIGHT = {"own": 1.0, "sale_seen": 0.5, "ask_seen": 0.33}
"""A sale only heard of weighs half, an ask a third: the machine was not on the own bench (judgement)."""

Z80 = 1.2815515655446004
"""Normal quantile at .9: half of an 80 % interval in standard deviations."""


@dataclass(frozen=True)
class OwnSale:
    """One price to learn from. ``price`` is money at price level 1; ``days_ago`` is 0 or more."""

    machine: Machine
    month: int
    price: float
    days_ago: float = 0.0
    kind: Kind = "own"


@dataclass(frozen=True)
class Evidence:
    """Own sales as numbers, n of them. Arrays of shape (n,) where nothing else is said.

    ``residual`` log price - log value; ``seen`` and ``columns``, (n, n_terms), what of the machines bears on the terms
    of `place_terms`; ``faults`` those that some sale shows; ``weight`` 1 for an own sale of today; ``is_ask`` 1 for
    asks; ``sd`` of the log price by the model.
    """

    ids: tuple[str, ...]
    faults: tuple[str, ...]
    residual: FloatArray
    seen: Seen
    columns: FloatArray
    weight: FloatArray
    is_ask: FloatArray
    sd: FloatArray

    def __len__(self) -> int:
        return len(self.residual)


def present(machine: Machine) -> tuple[Finding, ...]:
    """The findings that count as there: a doubtful one from even odds up."""
    return tuple(finding for finding in findings(machine) if finding.chance >= 0.5)


def encoded(model: ValueModel, machines: Sequence[tuple[Machine, int]]) -> FloatArray:
    """Rows of the model for the machines, each in the month beside it, every fault absent."""
    return model.encode([machine for machine, _ in machines], [month for _, month in machines])


def machine_columns(
    model: ValueModel, machines: Sequence[Machine], month: Months, sound: FloatArray
) -> FloatArray:
    """What of the machines but their faults bears on the terms, as in `Seen.machine`; sound: log values, shape (n,)."""
    aged = age_loss(model, machines, month, sound)
    return np.column_stack(
        [aged, season(np.broadcast_to(np.asarray(month, dtype=float), len(machines))), shown_levels(machines)]
    )


def age_loss(model: ValueModel, machines: Sequence[Machine], month: Months, sound: FloatArray) -> FloatArray:
    """Log value of each sound machine less that of the same at USUAL_AGE, shape (n,); 0 where age is unknown.

    ``sound``: log values of the sound machines, shape (n,).
    """
    told = [place for place, machine in enumerate(machines) if machine.age_years is not None]
    lost = np.zeros(len(machines))
    if told:
        months = month if isinstance(month, int) else [month[place] for place in told]
        usual = model.encode([with_changes(machines[place], age_years=USUAL_AGE) for place in told], months)
        lost[told] = sound[told] - np.log(model.value(usual))
    return lost


def evidence(model: ValueModel, sales: Sequence[OwnSale]) -> Evidence:
    """What the sales say about the model."""
    found = [present(sale.machine) for sale in sales]
    sound_rows = encoded(model, [(sale.machine, sale.month) for sale in sales])
    sound = np.log(model.value(sound_rows))
    rows = rows_with(model, sound_rows, found)
    value = np.log(model.value(rows))
    low, high = model.interval(rows)
    seen = Seen(
        sound=sound,
        loss=np.maximum(sound - value, 0.0),
        levels=rows[:, [model.fault_column(fault) for fault in fault_catalogue()]],
        machine=columns_of_sales(model, sales, sound),
    )
    return Evidence(
        ids=tuple(sale.machine.id for sale in sales),
        faults=tuple(sorted({finding.fault for each in found for finding in each})),
        residual=np.log([sale.price for sale in sales]) - value,
        seen=seen,
        columns=term_columns(seen, usual_losses(model)),
        weight=np.array(
            [KIND_WEIGHT[s.kind] * 0.5 ** (max(s.days_ago, 0.0) / HALF_LIFE_DAYS) for s in sales]
        ),
        is_ask=np.array([float(sale.kind == "ask_seen") for sale in sales]),
        sd=np.log(high / low) / (2 * Z80),
    )


def columns_of_sales(model: ValueModel, sales: Sequence[OwnSale], sound: FloatArray) -> FloatArray:
    """`machine_columns` of machines sold in different months."""
    parts: dict[int, FloatArray] = {}
    for month in {sale.month for sale in sales}:
        places = [place for place, sale in enumerate(sales) if sale.month == month]
        machines = [sales[place].machine for place in places]
        parts |= dict(zip(places, machine_columns(model, machines, month, sound[places]), strict=True))
    return np.array([parts[place] for place in range(len(sales))])


def usual_losses(model: ValueModel) -> FloatArray:
    """Log loss of the usual machine by each fault alone, shape (n_faults, 3): none, slight, serious."""
    faults = tuple(fault_catalogue())
    rows = np.repeat(model.encode([USUAL_MACHINE], IN_SEASON), 1 + 2 * len(faults), axis=0)
    for place, fault in enumerate(faults):
        rows[[1 + 2 * place, 2 + 2 * place], model.fault_column(fault)] = (1.0, 2.0)
    logs = np.log(model.value(rows))
    lost = np.column_stack([np.zeros(len(faults)), (logs[0] - logs[1:]).reshape(-1, 2)])
    return np.asarray(np.maximum.accumulate(lost, axis=1))


def rows_with(model: ValueModel, rows: FloatArray, found: Sequence[Sequence[Finding]]) -> FloatArray:
    """The rows with the findings of each on it."""
    faulty = rows.copy()
    for row, each in zip(faulty, found, strict=True):
        for finding in each:
            row[model.fault_column(finding.fault)] = LEVEL[finding.severity]
    return faulty
