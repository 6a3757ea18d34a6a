"""What own sales say about a value model: residuals, and the terms that may explain them.

Everything is on the log scale, where the model's value of a machine is

    log value = log sound value - loss of its faults.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from valuer.advice.ports import FloatArray, Months, ValueModel
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.machine import Finding, Machine
from valuer.domain.told_twice import as_priced
from valuer.price_model.place_terms import LEVEL, Seen, season, shown_levels, term_columns

Kind = Literal["own", "sale_seen", "ask_seen"]

USUAL_AGE = 6.0
"""Age in years against which the model's own ageing is measured: that of the reference machine."""

NOTHING_LOST = float(np.finfo(float).tiny)
"""What an age of just the usual years has lost since: as good as 0, which stands for an age that nobody told."""

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
    """One price to learn from. ``price`` is money at price level 1; ``days_ago`` below 0 counts as today."""

    machine: Machine
    month: int
    price: float
    days_ago: float = 0.0
    kind: Kind = "own"


@dataclass(frozen=True)
class Evidence:
    """Own sales as numbers, n of them. Arrays of shape (n,) where nothing else is said.

    ``residual`` log price - log value; ``seen`` and ``columns``, (n, n_terms), what of the machines bears on the terms
    of `place_terms`; ``heard`` 1 for an own sale, less for one only heard of; ``is_ask`` 1 for asks; ``sd`` of the
    model's log price. ``usual``: what the model takes off a usual machine for each fault, as of `usual_losses`.
    """

    ids: tuple[str, ...]
    residual: FloatArray
    seen: Seen
    columns: FloatArray
    heard: FloatArray
    days_ago: FloatArray
    is_ask: FloatArray
    sd: FloatArray
    usual: FloatArray

    def __len__(self) -> int:
        return len(self.residual)

    @cached_property
    def weight(self) -> FloatArray:
        """1 for an own sale of today, half of it after HALF_LIFE_DAYS."""
        return np.asarray(self.heard * 0.5 ** (np.maximum(self.days_ago, 0.0) / HALF_LIFE_DAYS))

    def later(self, days: int) -> "Evidence":
        """The same so many days later."""
        return replace(self, days_ago=self.days_ago + days)

    def only(self, places: Sequence[int]) -> "Evidence":
        """Some of the sales."""
        each = {name: getattr(self, name)[places] for name in OF_EACH}
        ids = tuple(self.ids[place] for place in places)
        return replace(self, ids=ids, seen=self.seen.only(places), **each)

    def and_also(self, more: "Evidence") -> "Evidence":
        """These sales, then more that the same model was asked about."""
        each = {name: np.concatenate([getattr(self, name), getattr(more, name)]) for name in OF_EACH}
        return replace(self, ids=self.ids + more.ids, seen=self.seen.and_also(more.seen), **each)


OF_EACH = ("residual", "columns", "heard", "days_ago", "is_ask", "sd")
"""The arrays of Evidence with a line a sale."""


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
    sound = logs[: len(machines)]
    aged = np.array([0.0 if machine.age_years is None else NOTHING_LOST for machine in machines])
    aged[told] += sound[told] - logs[len(machines) :]
    columns = [aged[:, None], season(np.array(months, dtype=float)), shown_levels(machines)]
    return rows[: len(machines)], sound, np.concatenate(columns, axis=1)


def evidence(model: ValueModel, sales: Sequence[OwnSale], usual: FloatArray | None = None) -> Evidence:
    """What the sales say about the model. ``usual``: where they are known, its losses of a usual machine."""
    machines, months = [sale.machine for sale in sales], [sale.month for sale in sales]
    sound_rows, sound, bears = bearing(model, machines, months)
    rows = rows_with(model, sound_rows, [as_priced(present(machine)) for machine in machines])
    price = model.value(rows)
    value, low, high = (np.log(each) for each in (price, *model.interval(rows, price)))
    levels = rows[:, [model.fault_column(fault) for fault in fault_catalogue()]]
    seen = Seen(sound, np.maximum(sound - value, 0.0), levels, bears)
    usual = usual_losses(model) if usual is None else usual
    return Evidence(
        ids=tuple(machine.id for machine in machines),
        residual=np.log([sale.price for sale in sales]) - value,
        seen=seen,
        columns=term_columns(seen, usual),
        heard=np.array([KIND_WEIGHT[sale.kind] for sale in sales]),
        days_ago=np.array([sale.days_ago for sale in sales]),
        is_ask=np.array([float(sale.kind == "ask_seen") for sale in sales]),
        sd=(high - low) / (2 * Z80),
        usual=usual,
    )


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
