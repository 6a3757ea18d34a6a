"""CorrectedModel: any value model with a local correction on it, and the same laws by construction.

A row of the corrected model is a row of the model below with some columns more: the log value of the sound
machine, how far level, attributes and ageing move it, and what of the machine bears on the terms of a place. They
are worked out once, when a machine is encoded.

The faults' part of the correction multiplies each fault's loss by a factor of its own. As losses do not add
up, the whole is the Choquet integral of the factors over the model's loss, a set function L of the faults
that are there: with the distinct factors u_1 > u_2 > ... > 0,

    loss = sum over j of (u_j - u_(j+1)) * L(faults whose factor is u_j or more)

which is that sum without the faults of the least factor, and u_last times what these take off on top of the rest: so
it is worked out once for every set of faults that leads to one of those asked about (`fault_sets`).

Every weight is positive and L never falls when a fault is added or made worse, so the corrected loss never
does either, whatever the factors. (A fault that names what a symptom beside it comes from may let both fall; advice
takes its cure for no loss, see `told_behind`.) It is taken more or less of on dear machines than on cheap ones, which
no fault changes. On top comes a part, 0 at least, of what the same faults take off a usual machine, added up.

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
from valuer.price_model.fault_sets import Ranked, Words, chains, least, packed, unpacked
from valuer.price_model.local_correction import LARGEST, NO_CORRECTION, SMALLEST, Correction, Doubt
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

AT_ONCE = 8_192
"""Rows bent at once: where nothing is shared each is taken apart into as many as it has faults, which fills the memory.
"""


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

    @cached_property
    def basis(self) -> Basis:
        """That of the model below, with the number of own sales and what the range holds."""
        learnt_from = self.correction.own_sales + self.correction.comparables
        holds = range_holds(self.correction)
        return self.model.basis.model_copy(update={"own_sales": learnt_from, "range_holds": holds})

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        """Rows of shape (n, p + ADDED) with every fault absent."""
        rows, sound, bears = bearing(self.model, machines, month)
        return self.moved(np.concatenate([rows, sound[:, None], np.zeros((len(rows), 1)), bears], axis=1))

    def moved(self, rows: FloatArray) -> FloatArray:
        """Rows that were encoded under another correction of the same model, as this one encodes them; written over."""
        rows[:, -ADDED + 1] = self.correction.level + rows[:, -ADDED + 2 :] @ self._rates
        return rows

    @cached_property
    def _rates(self) -> FloatArray:
        """How far each column of `Seen.machine` moves a log value."""
        shift = dict(self.correction.level_shift)
        of_level = [shift.get(level, 0.0) for level in ATTRIBUTE_LEVELS]
        return np.array([self.correction.ageing - 1.0, *self.correction.season, *of_level])

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
        if self.correction.at_rest:
            return self.model.value(rows[:, :-ADDED])
        return np.asarray(np.exp(self._logs(rows)[1]))

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Ends of the 80 % interval: the model's own, widened by what is not known of the place."""
        plain, here = self._logs(rows) if value is None else self._logs_by(rows, np.log(value))
        low, high = (np.log(end) for end in self.model.interval(rows[:, :-ADDED], np.exp(plain)))
        seen = self._seen(rows, plain)
        place = Z80**2 * self._doubt.of_place(seen, term_columns(seen, self._usual_losses))
        factor = self._doubt.factor(seen)
        down, up = (factor * np.sqrt(width**2 + place) for width in (plain - low, high - plain))
        return np.exp(here - down), np.exp(here + up)

    @cached_property
    def _doubt(self) -> Doubt:
        return self.correction.doubt or Doubt.at_first(place_prior())

    def _seen(self, rows: FloatArray, value: FloatArray) -> Seen:
        """What of the rows bears on the terms; value: log values of the model below, shape (n,)."""
        sound = rows[:, -ADDED]
        return Seen(sound, np.maximum(sound - value, 0.0), rows[:, self._columns], rows[:, -ADDED + 2 :])

    @cached_property
    def _columns(self) -> list[int]:
        """Column of every fault, in the order of the catalogue."""
        return [self.model.fault_column(fault) for fault in fault_catalogue()]

    def _logs(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log values of the model below and of this one, shape (n,) each."""
        if self.correction.at_rest:
            below = np.log(self.model.value(rows[:, :-ADDED]))
            return below, below
        starts = range(0, max(len(rows), 1), AT_ONCE)
        parts = [self._bent(rows[start : start + AT_ONCE]) for start in starts]
        below, here = (np.concatenate(each) for each in zip(*parts, strict=True))
        return below, here

    def _logs_by(self, rows: FloatArray, here: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The same where those of this model are known."""
        return here if self.correction.at_rest else np.log(self.model.value(rows[:, :-ADDED])), here

    def _bent(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        sound, moved = rows[:, -ADDED], rows[:, -ADDED + 1]
        faults, worth = self._faults, sound - USUAL_LOG_VALUE
        sets = faults.sets(rows)
        turned, lowered = faults.as_working(sets)
        below, lost, weighed = self._lost(rows[:, :-ADDED], sound, sets, turned, lowered)
        sets[:, turned] = lowered
        loss = self._as_working(weighed, sets, worth)
        if len(turned):
            other = self._for_repair(lost[turned], faults.dead(rows[turned]), worth[turned])
            loss[turned] = np.maximum(loss[turned], other)
        return below, sound + moved - loss

    def _as_working(self, weighed: FloatArray, sets: Words, worth: FloatArray) -> FloatArray:
        """Corrected loss, (n,), of machines for sale as working: 0 or more, and never less for one fault more.

        weighed: their loss with each fault's part of it taken so often as its factor says, shape (n,).
        """
        taken = np.clip(1.0 - self.correction.dear * worth, SMALLEST, LARGEST)
        here = self.correction.added
        more = np.clip(here.share - here.dear * worth, 0.0, LARGEST)
        loss = np.asarray(taken * weighed)
        if more.any():
            levels = unpacked(sets, len(self._faults.order))
            loss += more * added_up(self._usual_losses[self._faults.order], levels)
        return loss

    def _for_repair(self, lost: FloatArray, dead: BoolArray, worth: FloatArray) -> FloatArray:
        """Loss of machines that go for repair, shape (n,), from the model's loss of them."""
        here = self.correction.repair
        more = here.more + here.not_running * dead + here.dear * worth
        return np.asarray(lost + more + (here.slope - 1.0) * (lost - USUAL_REPAIR_LOSS))

    def _lost(
        self, rows: FloatArray, sound: FloatArray, sets: Words, turned: IntArray, lowered: Words
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log values of rows by the model below; what it takes off for their faults; and that weighed by the factors.

        Weighed is what it takes off for ``lowered`` in the place of the sets of the rows ``turned``. All shapes (n,).
        """
        faults, row = self._faults, np.concatenate([np.arange(len(rows)), turned])
        grows = np.ones(len(row), dtype=bool)
        grows[turned] = False
        _, machine = runs(rows, but=faults.columns)
        found = chains(machine[row], np.hstack([sets, lowered]), faults.ranked, grows)
        by = row[found.by]
        states, other = rows[by], np.flatnonzero(~found.asked | (found.by >= len(rows)))
        states[other[:, None], faults.columns] = unpacked(found.sets[:, other], len(faults.columns))
        value = np.log(self.model.value(states))
        lost = np.maximum(sound[by] - value, 0.0)
        steps = faults.ranked.factors[least(found.sets)] * (lost - lost[found.grew_from])
        of, as_working = found.of[: len(rows)], found.of[: len(rows)].copy()
        as_working[turned] = found.of[len(rows) :]
        return value[of], lost[of], found.summed(steps)[as_working]

    @cached_property
    def _faults(self) -> "_Faults":
        named = dict(self.correction.fault_factor)
        return _Faults.of(
            self.model, [named.get(fault, self.correction.other_faults) for fault in fault_catalogue()]
        )

    @cached_property
    def _usual_losses(self) -> FloatArray:
        known = self.correction.known
        return known.usual if known else usual_losses(self.model)


@dataclass(frozen=True)
class _Faults:
    """All faults by rank, the least factor first; shapes (n_faults,).

    order: places in the catalogue. columns: of a row. not_running: the column of that fault.
    too_high: bits of the levels that turn a machine into one for repair, shape (n_words,); halved: those of them below
    which there is a level that does not.
    """

    ranked: Ranked
    order: IntArray
    columns: IntArray
    not_running: int
    too_high: Words
    halved: Words

    @classmethod
    def of(cls, model: ValueModel, factors: Sequence[float]) -> "_Faults":
        order = np.argsort(factors, kind="stable")
        names = list(fault_catalogue())
        columns = np.array([model.fault_column(names[place]) for place in order])
        bits = np.array([[3, 2, 0], [0, 2, 0]], dtype=np.uint8)[:, highest_as_working()[order].astype(int)]
        too_high, halved = packed(bits).T
        return cls(
            Ranked(np.array(factors)[order]),
            order,
            columns,
            model.fault_column(NOT_RUNNING),
            too_high,
            halved,
        )

    def sets(self, rows: FloatArray) -> Words:
        """The faults of rows, shape (n_words, n)."""
        return packed(rows[:, self.columns].astype(np.uint8))

    def as_working(self, sets: Words) -> tuple[IntArray, Words]:
        """Which sets turn a machine into one for repair, and those with what does put back to the level below it."""
        above = sets & self.too_high[:, None]
        turned = np.flatnonzero(above.any(axis=0))
        return turned, sets[:, turned] ^ above[:, turned] | (above[:, turned] & self.halved[:, None]) >> 1

    def dead(self, rows: FloatArray) -> BoolArray:
        """Which rows do not run, shape (n,)."""
        return np.asarray(rows[:, self.not_running] > 0)


def at_first(model: ValueModel) -> ValueModel:
    """The model where nothing was learnt: its ranges wide enough for places unlike its market's.

    One that was trained on sales of the place itself is left as it is.
    """
    if not of_invented_market(model):
        return model
    return CorrectedModel(model, NO_CORRECTION, lambda: selling_of(model))


def of_invented_market(model: ValueModel) -> bool:
    """Whether the model knows one invented market only, so that its ranges have to be widened for the user's."""
    return bool(getattr(model, "of_invented_market", False))


def selling_of(model: ValueModel) -> SellingModel | None:
    """How listings sell, where it was learned with the values of this model."""
    return getattr(model, "selling", None)


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
