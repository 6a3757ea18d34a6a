"""What own sales say about a value model: residuals, and the terms that may explain them.

Everything is on the log scale, where the model's value of a machine is

    log value = log sound value - loss of its faults.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from valuer.advice.ports import FloatArray, Months, ValueModel
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.machine import Finding, Machine
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
    """One price to learn from. ``price`` is money at price level 1; ``days_ago`` is 0 or more.

    ``recorded``: the machine as it stands on record, at another price level perhaps; itself where it is None.
    """

    machine: Machine
    month: int
    price: float
    days_ago: float = 0.0
    kind: Kind = "own"
    recorded: Machine | None = None


@dataclass(frozen=True)
class Evidence:
    """Own sales as numbers, n of them. Arrays of shape (n,) where nothing else is said.

    ``residual`` log price - log value; ``seen`` and ``columns``, (n, n_terms), what of the machines bears on the terms
    of `place_terms`; ``weight`` 1 for an own sale of today; ``is_ask`` 1 for asks; ``sd`` of the model's log price.
    """

    ids: tuple[str, ...]
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


def bearing(
    model: ValueModel, machines: Sequence[Machine], month: Months
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rows of n machines with every fault absent, their log values (n,), and their columns as in `Seen.machine`.

    One call of the model for all of it.
    """
    told = [place for place, machine in enumerate(machines) if machine.age_years not in (None, USUAL_AGE)]
    usual = [machines[place].model_copy(update={"age_years": USUAL_AGE}) for place in told]
    months = [month] * len(machines) if isinstance(month, int) else list(month)
    rows = model.encode([*machines, *usual], [*months, *(months[place] for place in told)])
    logs = np.log(model.value(rows)) if len(rows) else np.zeros(0)
    sound, aged = logs[: len(machines)], np.zeros(len(machines))
    aged[told] = sound[told] - logs[len(machines) :]  # lost since USUAL_AGE, exactly 0 where it is unknown
    columns = [aged[:, None], season(np.array(months, dtype=float)), shown_levels(machines)]
    return rows[: len(machines)], sound, np.concatenate(columns, axis=1)


class Told(NamedTuple):
    """What a model says of one sold machine in the month of its sale, its faults on it; logs of money.

    ``levels`` of the faults, shape (n_faults,), and ``machine``, the rest that bears on the terms, as in `Seen`.
    """

    sound: float
    value: float
    low: float
    high: float
    levels: FloatArray
    machine: FloatArray


Memory = dict[tuple[int, int, int, float | None], tuple[ValueModel, Machine, Told]]
"""What was told before, by the very model, machine on record, month and what it cost new at the price level; model and
machine are held, so that no other takes their place."""

FORGETS = 2
"""Times as many as there are sales, from which on those no longer asked about are forgotten."""


def evidence(model: ValueModel, sales: Sequence[OwnSale], memory: Memory | None = None) -> Evidence:
    """What the sales say about the model. ``memory``: what it told of them before; what is new is added."""
    told = _told(model, sales, {} if memory is None else memory)
    sound, value, low, high = (np.array(each) for each in zip(*(one[:4] for one in told), strict=True))
    seen = Seen(
        sound=sound,
        loss=np.maximum(sound - value, 0.0),
        levels=np.array([one.levels for one in told]),
        machine=np.array([one.machine for one in told]),
    )
    return Evidence(
        ids=tuple(sale.machine.id for sale in sales),
        residual=np.log([sale.price for sale in sales]) - value,
        seen=seen,
        columns=term_columns(seen, usual_losses(model)),
        weight=np.array(
            [KIND_WEIGHT[s.kind] * 0.5 ** (max(s.days_ago, 0.0) / HALF_LIFE_DAYS) for s in sales]
        ),
        is_ask=np.array([float(sale.kind == "ask_seen") for sale in sales]),
        sd=(high - low) / (2 * Z80),
    )


def _told(model: ValueModel, sales: Sequence[OwnSale], memory: Memory) -> list[Told]:
    """What the model says of each sale; only those it was not asked about before are worked out."""
    held = [sale.recorded or sale.machine for sale in sales]
    keys = [
        (id(model), id(machine), sale.month, sale.machine.new_price)
        for machine, sale in zip(held, sales, strict=True)
    ]
    known = [memory.get(key) for key in keys]  # once: another thread may forget meanwhile
    new = [sale for sale, told in zip(sales, known, strict=True) if told is None]
    worked_out = iter(_worked_out(model, new))
    found = [told or (model, machine, next(worked_out)) for machine, told in zip(held, known, strict=True)]
    memory.update(zip(keys, found, strict=True))
    if len(memory) > FORGETS * len(keys):
        for key in set(memory) - set(keys):
            memory.pop(key, None)
    return [told for _, _, told in found]


def _worked_out(model: ValueModel, sales: Sequence[OwnSale]) -> list[Told]:
    if not sales:
        return []
    machines, months = [sale.machine for sale in sales], [sale.month for sale in sales]
    sound_rows, sound, bears = bearing(model, machines, months)
    rows = rows_with(model, sound_rows, [present(machine) for machine in machines])
    value = model.value(rows)
    ends = (np.log(each) for each in (value, *model.interval(rows, value)))
    levels = rows[:, [model.fault_column(fault) for fault in fault_catalogue()]]
    logs = np.column_stack([sound, *ends])
    return [
        Told(one, value, low, high, level, bear)
        for (one, value, low, high), level, bear in zip(logs.tolist(), levels, bears, strict=True)
    ]


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
