"""The terms in which one place differs from the model: how a log value moves, linearly, with what is seen of a machine.

    level + levels + season + ageing * age_loss
    - scale * loss - sum over faults f of extra_f * fault_loss_f + dear * worth * loss
    - add * added + add_dear * worth * added

(levels: what a tier, a drive, a look is worth more here; season: a wave over the year; added: the losses of the faults
on a usual machine, added up, as they may hide less behind each other here and be no smaller on a cheap machine; worth:
log of the sound value beside a usual one, as buyers may take off sums of money more than shares). A machine that goes
for repair, as it does not run or may not be sold as working, is looked at by other buyers; for it the second line is

    repair + running - slope * (loss - USUAL_REPAIR_LOSS) + repair_dear * worth
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray
from valuer.domain.faults import Fault, Severity, fault_catalogue
from valuer.domain.machine import Drive, Looks, Machine, Tier

LEVEL = {"slight": 1.0, "serious": 2.0}
NOT_RUNNING = "no_start"

USUAL_LOG_VALUE = 5.0
"""Log of a usual machine's sound value (148 at price level 1): the reference machine in season, rounded."""

USUAL_REPAIR_LOSS = 1.3
"""Log loss of a machine for repair by the shipped model, on the average: about a quarter of the value is left."""

ATTRIBUTE_LEVELS = tuple(
    (name, str(level))
    for name, kind in (("tier", Tier), ("drive", Drive), ("looks", Looks))
    for level in get_args(kind)
)
"""Levels that may be worth more or less here than the model has it."""

ADDED, ADDED_BY_WORTH = "faults added up", "faults added up by worth"
OF_THE_MACHINE = ("level", "ageing", "season, winter over summer", "season, spring over autumn")
OF_THE_FAULTS = ("fault losses", "fault losses, dear machines", ADDED, ADDED_BY_WORTH)
OF_REPAIR = ("for repair", "for repair, much wrong", "for repair, dear machines", "not running")


@cache
def terms() -> tuple[str, ...]:
    """The names of all terms, in the order of the columns."""
    levels = (" ".join(level) for level in ATTRIBUTE_LEVELS)
    return (*OF_THE_MACHINE, *levels, *OF_THE_FAULTS, *OF_REPAIR, *fault_catalogue())


@dataclass(frozen=True)
class Seen:
    """What of n machines bears on the terms; arrays of shape (n,) where nothing else is said.

    sound: log value without faults. loss: what all faults take off, logs, 0 or more. levels: (n, n_faults), 0, 1, 2 in
    the order of the catalogue. machine: (n, 3 + n_levels), age loss (0 where nobody told the age), cosine and sine of
    the month, attribute levels.
    """

    sound: FloatArray
    loss: FloatArray
    levels: FloatArray
    machine: FloatArray

    def only(self, places: Sequence[int]) -> "Seen":
        """Some of the machines."""
        return Seen(self.sound[places], self.loss[places], self.levels[places], self.machine[places])

    def and_also(self, more: "Seen") -> "Seen":
        """These machines, then more."""
        pairs = (
            (getattr(each, name) for each in (self, more)) for name in ("sound", "loss", "levels", "machine")
        )
        return Seen(*(np.concatenate(list(pair)) for pair in pairs))

    @property
    def worth(self) -> FloatArray:
        """Log of the sound value beside that of a usual machine."""
        return self.sound - USUAL_LOG_VALUE

    @cached_property
    def repair(self) -> FloatArray:
        """1.0 where the machine goes for repair."""
        return np.asarray((self.levels > highest_as_working()).any(axis=1)).astype(float)

    @property
    def dead(self) -> FloatArray:
        """1.0 where it does not start."""
        return (self.levels[:, list(fault_catalogue()).index(NOT_RUNNING)] > 0).astype(float)


def term_columns(seen: Seen, usual: FloatArray) -> FloatArray:
    """One column a term, shape (n, n_terms). usual: log loss of each fault on a usual machine, shape (n_faults, 3).

    What a fault has of the whole loss is shared out as the faults' losses on the usual machine stand to each other.
    """
    each = usual[np.arange(len(usual)), seen.levels.astype(int)]
    added = each.sum(axis=1)
    works, worth, repair = 1.0 - seen.repair, seen.worth, seen.repair
    share = each / np.maximum(added, 1e-9)[:, None]
    level = np.ones((len(worth), 1))
    faults = (-seen.loss * works, seen.loss * worth * works, -added * works, added * worth * works)
    other = (repair, -repair * (seen.loss - USUAL_REPAIR_LOSS), repair * worth, seen.dead)
    each_fault = -share * (seen.loss * works)[:, None]
    return np.concatenate([level, seen.machine, np.array([*faults, *other]).T, each_fault], axis=1)


def turns(fault: Fault, severity: Severity) -> bool:
    """Whether it turns a machine into one for repair: it must be cured before a sale, or nothing runs.

    Those who buy such a machine repair it themselves and look at it with other eyes (common practice, no source).
    """
    return fault.id == NOT_RUNNING or fault.must_be_cured(severity)


@cache
def highest_as_working() -> FloatArray:
    """The highest level of each fault (0, 1, 2) that leaves a machine for sale as working, shape (n_faults,)."""
    return np.array(
        [
            max((LEVEL[severity] for severity in fault.severities if not turns(fault, severity)), default=0.0)
            for fault in fault_catalogue().values()
        ]
    )


def shown_levels(machines: Sequence[Machine]) -> FloatArray:
    """1.0 where a machine is known to have a level of ATTRIBUTE_LEVELS, shape (n, n_levels)."""
    has = [[float(getattr(m, name) == level) for name, level in ATTRIBUTE_LEVELS] for m in machines]
    return np.array(has).reshape(len(machines), len(ATTRIBUTE_LEVELS))


def season(month: FloatArray) -> FloatArray:
    """Cosine and sine of the month's place in the year, shape (n, 2)."""
    turn = 2 * np.pi * month / 12.0
    return np.array([np.cos(turn), np.sin(turn)]).T


def added_up(losses: FloatArray, levels: NDArray[np.uint8]) -> FloatArray:
    """Sum of the losses of rows whose faults stand at these levels (0, 1, 2), shape (n, n_faults); shape (n,)."""
    return np.asarray(losses[np.arange(len(losses)), levels].sum(axis=1))
