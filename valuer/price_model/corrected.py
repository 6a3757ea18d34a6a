"""CorrectedModel: any value model with a local correction on it, and the same laws by construction.

A row of the corrected model is a row of the model below with some columns more: the log value of the sound
machine, how far level, attributes and ageing move it, and what of the machine bears on the terms of a place. They
are worked out once, when a machine is encoded.

The faults' part of the correction multiplies each fault's loss by a factor of its own. As losses do not add
up, the whole is the Choquet integral of the factors over the model's loss, a set function L of the faults
that are there: with the distinct factors u_1 > u_2 > ... > 0,

    loss = sum over j of (u_j - u_(j+1)) * L(faults whose factor is u_j or more)

Every weight is positive and L never falls when a fault is added or made worse, so the corrected loss never
does either, whatever the factors. It is taken more or less of on dear machines than on cheap ones, which no
fault changes. On top comes a part, 0 at least, of what the same faults take off a usual machine, added up.

A machine that goes for repair has a loss of its own, a + b L of all its faults with b above 0; it is never
less than the loss above of the faults that leave a machine for sale as working, those that do not being put
back to the severity that would. So the law holds across the border too: the larger of two that never fall.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import Basis, Beyond, FloatArray, Months, ValueModel
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.price_model.design import runs
from valuer.price_model.local_correction import LARGEST, SMALLEST, Correction, Doubt
from valuer.price_model.own_sales import Z80, bearing, usual_losses
from valuer.price_model.place_prior import place_prior
from valuer.price_model.place_terms import (
    ATTRIBUTE_LEVELS,
    NOT_RUNNING,
    USUAL_LOG_VALUE,
    USUAL_REPAIR_LOSS,
    Seen,
    added_up,
    highest_as_working,
    term_columns,
)
from valuer.price_model.selling import SellingModel

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

ADDED = 2 + 3 + len(ATTRIBUTE_LEVELS)
"""Columns that a row has more: log of the sound value, how far it is moved, and `Seen.machine`."""

AT_ONCE = 4096
"""Rows bent at once: each is taken apart into as many as it has faults, which for all at once fills the memory."""


@dataclass(frozen=True)
class CorrectedModel:
    """A value model bent towards own sales; see the module.

    sells: tells `selling`.
    """

    model: ValueModel
    correction: Correction
    sells: Callable[[], SellingModel | None] = field(default=lambda: None, compare=False, repr=False)

    @cached_property
    def selling(self) -> SellingModel | None:
        """How listings sell, shifted by own listings; None where the model below does not know.

        Worked out when it is first asked for: it takes a look at every own listing, and what a machine is worth does
        without.
        """
        return self.sells()

    @property
    def basis(self) -> Basis:
        """That of the model below, with the number of own sales and what the range holds."""
        learnt_from = self.correction.own_sales + self.correction.comparables
        holds = range_holds(self.correction)
        return self.model.basis.model_copy(update={"own_sales": learnt_from, "range_holds": holds})

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        """Rows of shape (n, p + ADDED) with every fault absent."""
        rows, sound, bears = bearing(self.model, machines, month)
        shift = dict(self.correction.level_shift)
        of_level = [shift.get(level, 0.0) for level in ATTRIBUTE_LEVELS]
        rates = np.array([self.correction.ageing - 1.0, *self.correction.season, *of_level])
        return np.column_stack([rows, sound, self.correction.level + bears @ rates, bears])

    def fault_column(self, fault: str) -> int:
        """The column of the model below."""
        return self.model.fault_column(fault)

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        """That of the model below: own sales bend its values, they do not widen what it has seen."""
        return self.model.beyond(machine)

    def records(self, fault: str, severity: str) -> int:
        """Training sales of the model below."""
        return self.model.records(fault, severity)

    def value(self, rows: FloatArray) -> FloatArray:
        """Expected sale prices of shape (n,)."""
        return np.exp(self._log_value(rows))

    def interval(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ends of the 80 % interval: the model's own, widened by what is not known of the place."""
        below = rows[:, :-ADDED]
        value = np.log(self.model.value(below))
        low, high = (np.log(end) for end in self.model.interval(below))
        seen = self._seen(rows, value)
        place = Z80**2 * self._doubt.of_place(seen, term_columns(seen, self._usual_losses))
        factor, here = self._doubt.factor(seen), value if self.correction.at_rest else self._log_value(rows)
        down, up = (factor * np.sqrt(width**2 + place) for width in (value - low, high - value))
        return np.exp(here - down), np.exp(here + up)

    @cached_property
    def _doubt(self) -> Doubt:
        return self.correction.doubt or Doubt.at_first(place_prior())

    def _seen(self, rows: FloatArray, value: FloatArray) -> Seen:
        """What of the rows bears on the terms; value: log values of the model below, shape (n,)."""
        sound = rows[:, -ADDED]
        levels = rows[:, self._faults[0]]
        return Seen(sound, np.maximum(sound - value, 0.0), levels, rows[:, -ADDED + 2 :])

    def _log_value(self, rows: FloatArray) -> FloatArray:
        if self.correction.at_rest:
            return np.asarray(np.log(self.model.value(rows[:, :-ADDED])))
        starts = range(0, max(len(rows), 1), AT_ONCE)
        return np.concatenate([self._bent(rows[start : start + AT_ONCE]) for start in starts])

    def _bent(self, rows: FloatArray) -> FloatArray:
        sound, moved = rows[:, -ADDED], rows[:, -ADDED + 1]
        return np.asarray(sound + moved - self._loss(rows[:, :-ADDED], sound))

    def _loss(self, rows: FloatArray, sound: FloatArray) -> FloatArray:
        """The corrected loss of each row, shape (n,): 0 or more, and never less for one fault more."""
        worth = sound - USUAL_LOG_VALUE
        lowered, turned = self._as_working(rows)
        taken = np.clip(1.0 - self.correction.dear * worth, SMALLEST, LARGEST)
        here = self.correction.added
        more = np.clip(here.share - here.dear * worth, 0.0, LARGEST)
        loss = taken * self._weighed(lowered, sound)
        if more.any():
            loss += more * added_up(self._usual_losses, lowered[:, self._faults[0]])
        if turned.any():
            other = self._for_repair(rows[turned], sound[turned], worth[turned])
            loss[turned] = np.maximum(loss[turned], other)
        return loss

    def _as_working(self, rows: FloatArray) -> tuple[FloatArray, BoolArray]:
        """The rows with what turns a machine into one for repair put back; and which of them had any of it."""
        columns, highest = self._faults[0], highest_as_working()
        levels = rows[:, columns]
        turned: BoolArray = np.asarray((levels > highest).any(axis=1))
        if not turned.any():
            return rows, turned
        lowered = rows.copy()
        lowered[:, columns] = np.minimum(levels, highest)
        return lowered, turned

    def _for_repair(self, rows: FloatArray, sound: FloatArray, worth: FloatArray) -> FloatArray:
        """Loss of machines that go for repair, shape (n,)."""
        here = self.correction.repair
        lost = np.maximum(sound - self._log_below(rows), 0.0)
        dead = rows[:, self.model.fault_column(NOT_RUNNING)] > 0
        more = here.more + here.not_running * dead + here.dear * worth
        return np.asarray(lost + more + (here.slope - 1.0) * (lost - USUAL_REPAIR_LOSS))

    def _weighed(self, rows: FloatArray, sound: FloatArray) -> FloatArray:
        """The model's loss with each fault's part of it taken so often as its factor says, shape (n,)."""
        columns, factors = self._faults
        there = rows[:, columns] > 0
        shown = there.any(axis=0)
        columns, factors, there = columns[shown], factors[shown], there[:, shown]
        ordered = np.argsort(np.where(there, -factors, np.inf), axis=1, kind="stable")
        factor = np.where(np.take_along_axis(there, ordered, axis=1), factors[ordered], 0.0)
        step = factor - np.column_stack([factor[:, 1:], np.zeros(len(rows))])
        row, last = np.nonzero(step > 0)
        sets = rows[row]
        gone = np.arange(len(columns))[None] > last[:, None]
        at, place = np.nonzero(gone)
        sets[at, columns[ordered[row[at], place]]] = 0.0
        lost = np.maximum(sound[row] - self._log_below(sets), 0.0) if len(row) else np.zeros(0)
        return np.bincount(row, step[row, last] * lost, minlength=len(rows)).astype(np.float64)

    @cached_property
    def _faults(self) -> tuple[IntArray, FloatArray]:
        """The column of every fault, and its factor."""
        named = dict(self.correction.fault_factor)
        faults = tuple(fault_catalogue())
        factors = [named.get(fault, self.correction.other_faults) for fault in faults]
        return np.array([self.model.fault_column(fault) for fault in faults]), np.array(factors)

    @cached_property
    def _usual_losses(self) -> FloatArray:
        return usual_losses(self.model)

    def _log_below(self, rows: FloatArray) -> FloatArray:
        """Log values of the model below, each different row valued once.

        A row is told by its machine and by one byte for each fault that any of them has.
        """
        faults = self._faults[0]
        levels = rows[:, faults].astype(np.uint8)
        levels = levels[:, levels.any(axis=0)]
        _, machine = runs(rows, but=faults)
        told = np.column_stack([machine.astype(np.uint32).view(np.uint8).reshape(-1, 4), levels])
        as_bytes = np.ascontiguousarray(told).view(np.dtype((np.void, told.shape[1]))).ravel()
        _, first, back = np.unique(as_bytes, return_index=True, return_inverse=True)
        return np.asarray(np.log(self.model.value(rows[first]))[back])


def range_holds(found: Correction) -> str:
    """What the range holds, of what, and what has tested it: one plain sentence."""
    if not found.own_sales:
        return FIRST_DAY
    n, inside = found.own_sales, sum(found.held)
    if n == 1:
        sales, lay = "your one sale", "it lay inside" if inside else "it lay outside"
        none, every = "it was not for repair", "it was for repair"
    else:
        sales, lay = f"your {n} sales, each judged by the others,", f"{inside} of them lay inside"
        none, every = "none of them was for repair", "all of them were for repair"
    kind = f"; {every}" if found.for_repair == n else ""
    if not found.for_repair:
        kind = f"; {none}, so the ranges of such machines stay wide"
    return f"The range holds 8 in 10 in places like yours, as far as {sales} can tell: {lay}{kind}."


FIRST_DAY = (
    "The range holds 8 in 10 sales in markets like those we can imagine; none of your sales has tested it."
)
