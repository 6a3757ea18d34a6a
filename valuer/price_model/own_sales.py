"""What own sales say about a value model: residuals, and the few features that may explain them.

Everything is on the log scale, where the model's value of a machine is

    log value = log sound value - loss of its faults.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from valuer.advice.ports import FloatArray, ValueModel
from valuer.domain.faults import Fault, Severity, fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.machine import Finding, Machine, with_changes

Kind = Literal["own", "sale_seen", "ask_seen"]

ATTRIBUTES = ("tier", "drive", "looks")
"""Attributes whose levels may be worth more or less here than the model has it."""

LEVEL = {"slight": 1.0, "serious": 2.0}
USUAL_AGE = 6.0
"""Age in years against which the model's own ageing is measured: that of the reference machine."""

USUAL_LOG_VALUE = 5.0
"""Log of a usual machine's sound value (148 at price level 1): the reference machine in season, rounded."""

NOT_RUNNING = "no_start"

USUAL_MACHINE = Machine.model_validate(
    {"id": "usual", "tier": "mid", "drive": "rear_variable", "age_years": USUAL_AGE, "looks": "used"}
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

    ``residual`` log price - log value; ``age_loss`` log value less that at USUAL_AGE (below 0 when older, 0
    when unknown); ``loss`` what all faults take off together, 0 or more; ``fault_loss``, (n, n_faults), what
    each of ``faults`` does; ``shown``, (n, n_levels), 1 where the machine has that one of the attribute
    ``levels``; ``added`` the log losses that each fault alone makes on the usual machine, added up; ``season``,
    (n, 2), cosine and sine of the month; ``dear`` log value of the sound machine less USUAL_LOG_VALUE;
    ``repair`` 1 where it goes for repair, see `for_repair`; ``dead`` 1 where it does not start; ``weight`` 1
    for an own sale of today; ``is_ask`` 1 for asks; ``sd`` of the log price by the model; ``below``,
    ``above``: half widths of its 80 % interval on the log scale.
    """

    ids: tuple[str, ...]
    faults: tuple[str, ...]
    levels: tuple[tuple[str, str], ...]
    residual: FloatArray
    age_loss: FloatArray
    loss: FloatArray
    fault_loss: FloatArray
    shown: FloatArray
    added: FloatArray
    season: FloatArray
    dear: FloatArray
    repair: FloatArray
    dead: FloatArray
    weight: FloatArray
    is_ask: FloatArray
    sd: FloatArray
    below: FloatArray
    above: FloatArray

    def __len__(self) -> int:
        return len(self.residual)


def present(machine: Machine) -> tuple[Finding, ...]:
    """The findings that count as there: a doubtful one from even odds up."""
    return tuple(finding for finding in findings(machine) if finding.chance >= 0.5)


def turns(fault: Fault, severity: Severity) -> bool:
    """Whether it turns a machine into one for repair: it must be cured before a sale, or nothing runs.

    Those who buy such a machine repair it themselves and look at it with other eyes (common practice, no source).
    """
    return fault.id == NOT_RUNNING or fault.must_be_cured(severity)


def for_repair(found: Sequence[Finding]) -> bool:
    """Whether a machine with these findings goes for repair."""
    return any(turns(fault_catalogue()[finding.fault], finding.severity) for finding in found)


def levels_of(machine: Machine) -> tuple[tuple[str, str], ...]:
    """The known levels of a machine's attributes, as (attribute, level)."""
    told = ((name, getattr(machine, name)) for name in ATTRIBUTES)
    return tuple((name, level) for name, level in told if level is not None)


def has(machine: Machine, level: tuple[str, str]) -> bool:
    """Whether the machine is known to have this level of an attribute."""
    return bool(getattr(machine, level[0]) == level[1])


def encoded(model: ValueModel, machines: Sequence[tuple[Machine, int]]) -> FloatArray:
    """Rows of the model for the machines, each in the month beside it, every fault absent."""
    rows: dict[int, FloatArray] = {}
    for asked in {month for _, month in machines}:
        places = [place for place, (_, month) in enumerate(machines) if month == asked]
        found = model.encode([machines[place][0] for place in places], asked)
        rows |= dict(zip(places, found, strict=True))
    return np.array([rows[place] for place in range(len(machines))])


def age_loss(model: ValueModel, machines: Sequence[Machine], month: int, sound: FloatArray) -> FloatArray:
    """Log value of each sound machine less that of the same at USUAL_AGE, shape (n,); 0 where age is unknown.

    ``sound``: log values of the sound machines, shape (n,).
    """
    told = [place for place, machine in enumerate(machines) if machine.age_years is not None]
    lost = np.zeros(len(machines))
    if told:
        usual = model.encode([with_changes(machines[place], age_years=USUAL_AGE) for place in told], month)
        lost[told] = sound[told] - np.log(model.value(usual))
    return lost


def evidence(model: ValueModel, sales: Sequence[OwnSale]) -> Evidence:
    """What the sales say about the model."""
    found = [present(sale.machine) for sale in sales]
    faults = tuple(sorted({finding.fault for each in found for finding in each}))
    levels = tuple(sorted({level for sale in sales for level in levels_of(sale.machine)}))
    sound_rows = encoded(model, [(sale.machine, sale.month) for sale in sales])
    sound = np.log(model.value(sound_rows))
    rows = rows_with(model, sound_rows, found)
    value = np.log(model.value(rows))
    low, high = model.interval(rows)
    return Evidence(
        ids=tuple(sale.machine.id for sale in sales),
        faults=faults,
        levels=levels,
        residual=np.log([sale.price for sale in sales]) - value,
        age_loss=_age_losses(model, sales, sound),
        loss=np.maximum(sound - value, 0.0),
        fault_loss=_fault_losses(model, sound_rows, found, faults, sound, value),
        shown=np.array([[float(has(sale.machine, level)) for level in levels] for sale in sales]),
        added=added_up(
            usual_losses(model), rows[:, [model.fault_column(fault) for fault in fault_catalogue()]]
        ),
        season=season(np.array([float(sale.month) for sale in sales])),
        dear=sound - USUAL_LOG_VALUE,
        repair=np.array([float(for_repair(each)) for each in found]),
        dead=np.array([float(any(finding.fault == NOT_RUNNING for finding in each)) for each in found]),
        weight=np.array(
            [KIND_WEIGHT[s.kind] * 0.5 ** (max(s.days_ago, 0.0) / HALF_LIFE_DAYS) for s in sales]
        ),
        is_ask=np.array([float(sale.kind == "ask_seen") for sale in sales]),
        sd=np.log(high / low) / (2 * Z80),
        below=value - np.log(low),
        above=np.log(high) - value,
    )


def season(month: FloatArray) -> FloatArray:
    """Cosine and sine of the month's place in the year, shape (n, 2)."""
    turn = 2 * np.pi * month / 12.0
    return np.column_stack([np.cos(turn), np.sin(turn)])


def usual_losses(model: ValueModel) -> FloatArray:
    """Log loss of the usual machine by each fault alone, shape (n_faults, 3): none, slight, serious."""
    faults = tuple(fault_catalogue())
    rows = np.repeat(model.encode([USUAL_MACHINE], IN_SEASON), 1 + 2 * len(faults), axis=0)
    for place, fault in enumerate(faults):
        rows[[1 + 2 * place, 2 + 2 * place], model.fault_column(fault)] = (1.0, 2.0)
    logs = np.log(model.value(rows))
    lost = np.column_stack([np.zeros(len(faults)), (logs[0] - logs[1:]).reshape(-1, 2)])
    return np.asarray(np.maximum.accumulate(lost, axis=1))


def added_up(losses: FloatArray, levels: FloatArray) -> FloatArray:
    """Sum of the losses of rows whose faults stand at these levels (0, 1, 2), shape (n, n_faults); shape (n,)."""
    return np.asarray(losses[np.arange(len(losses)), levels.astype(int)].sum(axis=1))


def rows_with(model: ValueModel, rows: FloatArray, found: Sequence[Sequence[Finding]]) -> FloatArray:
    """The rows with the findings of each on it."""
    faulty = rows.copy()
    for row, each in zip(faulty, found, strict=True):
        for finding in each:
            row[model.fault_column(finding.fault)] = LEVEL[finding.severity]
    return faulty


def _age_losses(model: ValueModel, sales: Sequence[OwnSale], sound: FloatArray) -> FloatArray:
    lost = np.zeros(len(sales))
    for month in {sale.month for sale in sales}:
        places = [place for place, sale in enumerate(sales) if sale.month == month]
        lost[places] = age_loss(model, [sales[place].machine for place in places], month, sound[places])
    return lost


def _fault_losses(
    model: ValueModel,
    sound_rows: FloatArray,
    found: Sequence[Sequence[Finding]],
    faults: Sequence[str],
    sound: FloatArray,
    value: FloatArray,
) -> FloatArray:
    """What each fault takes off on the log scale: the mean of lost alone and regained alone."""
    pairs = [(place, finding) for place, each in enumerate(found) for finding in each]
    lost = np.zeros((len(found), len(faults)))
    if not pairs:
        return lost
    alone = rows_with(model, sound_rows[[place for place, _ in pairs]], [[finding] for _, finding in pairs])
    cured = rows_with(
        model,
        sound_rows[[place for place, _ in pairs]],
        [[other for other in found[place] if other != finding] for place, finding in pairs],
    )
    logs = np.log(model.value(np.concatenate([alone, cured])))
    for number, (place, finding) in enumerate(pairs):
        lost_alone = sound[place] - logs[number]
        cured_alone = logs[len(pairs) + number] - value[place]
        lost[place, faults.index(finding.fault)] = max(0.0, (lost_alone + cured_alone) / 2)
    return lost
