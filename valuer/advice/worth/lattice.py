"""Values of a machine for every subset of its faults still there: what every decision here rests on.

A lattice of k faults is an array of shape (2,)*k, index 1 on an axis meaning that fault is left in. Subsets
of all machines of one question go to the model together, some ROWS_AT_ONCE rows a call.

A symptom whose cause stands beside it is the same loss told twice: it has no axis of its own and goes with its
cause (`told_twice` says what buyers hear of the two). Faults that nobody looked for count as they do in what untested
machines bring, which the model has learned.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import accumulate, pairwise, zip_longest
from math import prod
from typing import NamedTuple

import numpy as np

from valuer.advice.ports import LEVEL, FloatArray, ValueModel
from valuer.advice.worth.named import faults_behind, told_factor, told_in_its_place, with_cause
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings, mass_kg
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms, at_price_level, season_month
from valuer.domain.symptoms import replaced, worth_named
from valuer.domain.told_twice import told_behind, told_beside, told_twice

MOST_FAULTS = 12
"""Faults enumerated exactly; beyond it the dearest are, and the rest count as left in. 2**12 = 4096 rows."""

ROWS_AT_ONCE = 16_384
"""Rows of machines that go to the model in one call: those of ten thousand machines would fill the memory."""

SCRAP_PER_KG = 0.22
"""Dollars a kilogram of light iron, .11 to .33 (published price list, second hand)."""


@dataclass(frozen=True, slots=True)
class Lattice:
    """One machine's sale prices over the subsets of its faults, in own money.

    ``values`` and ``certain`` have shape (2,)*k, axes in the order of ``findings``. ``certain`` takes every
    finding as there; ``values`` weighs a finding of chance q: left in, it is there with chance q only.
    ``held`` are faults beyond the cap, left in everywhere; ``held_values``, shape (2, n_held), has the value
    with every fault but that one, and with only that one. ``twice`` are symptoms that stand beside their
    cause. ``row`` is the model's row that gives the price with every fault there, ``row_value`` its price, ``over`` the
    same of one all looked over, where that was asked for; ``instead`` is, by the place of a symptom and each fault that
    may be behind it, the price with that one named over it; ``sound`` the value with no fault found.
    ``told``, one a finding, is what the price with it there was multiplied with for what the machine's file says of
    its cause (see `named`); ``untold`` is the price as it stands if the file said nothing of causes.
    """

    machine: Machine
    findings: tuple[Finding, ...]
    held: tuple[Finding, ...]
    twice: tuple[Finding, ...]
    held_values: FloatArray
    row: FloatArray
    row_value: float
    over: tuple[FloatArray, float] | None
    instead: Mapping[int, Mapping[str, float]]
    sound: float
    certain: FloatArray
    values: FloatArray
    told: tuple[float, ...]
    untold: float

    @property
    def now(self) -> float:
        """Expected sale price as it stands."""
        return float(self.values[(1,) * self.values.ndim])

    @property
    def found(self) -> tuple[Finding, ...]:
        """Every finding, those without an axis of their own behind the others."""
        return (*self.findings, *self.held, *self.twice)


class Scene(NamedTuple):
    """A machine with the faults it is taken to have, which need not be those its readings show."""

    machine: Machine
    findings: tuple[Finding, ...]


def scene_of(machine: Machine, terms: ShopTerms) -> Scene:
    """Return the machine with what its file and its readings show."""
    return Scene(machine, findings(machine, terms.blade_stop_limit_s))


def lattices(
    scenes: Sequence[Scene], model: ValueModel, terms: ShopTerms, *, shown: bool = False
) -> tuple[Lattice, ...]:
    """Return the lattice of each scene, the values of many from one call of the model.

    ``shown`` asks besides for what each would bring if all that nobody looked for were known not to be there.
    """
    if not scenes:
        return ()
    machines = [at_price_level(scene.machine, terms.price_level) for scene in scenes]
    over = [machine.model_copy(update={"looked_over": True}) for machine in machines if shown]
    base = model.encode([*machines, *over], season_month(terms))
    rows = zip_longest(base[: len(machines)], base[len(machines) :])
    sheets = (_sheet(row, over, scene, model) for (row, over), scene in zip(rows, scenes, strict=True))
    return tuple(lattice for portion in _portions(sheets) for lattice in _valued(portion, model, terms))


def _portions(sheets: Iterable["_Sheet"]) -> Iterator[list["_Sheet"]]:
    """The sheets in turn, as many at once as have some ROWS_AT_ONCE rows together."""
    portion: list[_Sheet] = []
    rows = 0
    for sheet in sheets:
        portion.append(sheet)
        rows += len(sheet.rows)
        if rows >= ROWS_AT_ONCE:
            yield portion
            portion, rows = [], 0
    if portion:
        yield portion


def _valued(sheets: Sequence["_Sheet"], model: ValueModel, terms: ShopTerms) -> Iterator[Lattice]:
    """The lattices of some sheets, all values from one call of the model."""
    prices = model.value(np.concatenate([sheet.rows for sheet in sheets])) * terms.price_level
    ends = np.cumsum([0, *(len(sheet.rows) for sheet in sheets)])
    for sheet, (start, stop) in zip(sheets, pairwise(ends), strict=True):
        yield _lattice(sheet, prices[start:stop], terms)


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """The rows of one machine: its subsets, and single rows.

    After the subsets come, of the last of them, those with a fault named that may be ``behind`` a finding (its place);
    then, with faults held, none, all but each and only each of them; then, if asked for, the last subset of one all
    looked over. ``blocks`` are the numbers of rows of each of these four.
    """

    scene: Scene
    found: tuple[Finding, ...]
    held: tuple[Finding, ...]
    twice: tuple[Finding, ...]
    behind: tuple[tuple[int, str], ...]
    blocks: tuple[int, ...]
    rows: FloatArray


def _sheet(row: FloatArray, over: FloatArray | None, scene: Scene, model: ValueModel) -> _Sheet:
    twice = told_twice(scene.findings)
    own = tuple(item for item in scene.findings if item not in twice)
    found, held = enumerated(row, own, model)
    plain = _rows(row, found, held, model)
    if twice:
        _as_told(plain, scene.findings, model)
    last = (1 << len(found)) - 1
    behind = tuple((axis, fault) for axis, item in enumerate(found) for fault in faults_behind(item, found))
    named = with_cause(plain[last], [(found[axis], fault) for axis, fault in behind], model)
    blocks = [plain[: last + 1], named, plain[last + 1 :], _with_faults_of(plain[last], over, model)]
    sizes = tuple(len(block) for block in blocks)
    return _Sheet(scene, found, held, twice, behind, sizes, np.concatenate(blocks))


def _as_told(rows: FloatArray, found: Sequence[Finding], model: ValueModel) -> None:
    """Write into rows of some of the findings the symptoms that buyers hear of beside their causes."""
    severity = {item.fault: item.severity for item in found}
    for symptom, causes in told_beside(found).items():
        there = (rows[:, [model.fault_column(cause) for cause in causes]] > 0).any(axis=1)
        rows[there, model.fault_column(symptom)] = LEVEL[severity[symptom]]


def _lattice(sheet: _Sheet, prices: FloatArray, terms: ShopTerms) -> Lattice:
    found, held, machine = sheet.found, sheet.held, sheet.scene.machine
    ends = (0, *accumulate(sheet.blocks))
    alone, named, singles, shown = (prices[start:stop] for start, stop in pairwise(ends))
    last, over = len(alone) - 1, ends[-2]
    instead = _instead(sheet, named, float(prices[last]))
    told = tuple(told_factor(item, machine, instead.get(axis, {})) for axis, item in enumerate(found))
    plain = _not_missed(alone.reshape((2,) * len(found)), found, told_behind(sheet.scene.findings))
    chances = [item.chance for item in found]
    before = _not_sold(plain, machine, found, held, terms)
    certain = before
    if any(factor != 1 for factor in told):
        certain = _not_sold(with_cause_told(plain, told), machine, found, held, terms)
    return Lattice(
        machine=machine,
        findings=found,
        held=held,
        twice=sheet.twice,
        held_values=singles[1:].reshape(2, len(held)) * [[prod(told)], [1.0]],
        row=sheet.rows[last].copy(),  # not a window on all rows, which would keep them
        row_value=float(prices[last]),
        over=(sheet.rows[over].copy(), float(prices[over])) if len(shown) else None,
        instead=instead,
        sound=float(singles[0] if held else prices[0]),
        certain=certain,
        values=with_doubt(certain, chances),
        told=told,
        untold=float(with_doubt(before, chances).flat[-1]),
    )


def _instead(sheet: _Sheet, prices: FloatArray, whole: float) -> dict[int, dict[str, float]]:
    """Return the prices with a cause named over the price of the whole, by the finding's place and the fault.

    A cause that no sale tells of beside the symptom raises the price as far as the trade says, no further.
    """
    found: dict[int, dict[str, float]] = {}
    for (axis, fault), price in zip(sheet.behind, prices.tolist(), strict=True):
        item, share = sheet.found[axis], price / max(whole, 1e-9)
        bound = told_in_its_place(item, fault) and not replaced(item.fault)
        found.setdefault(axis, {})[fault] = min(share, worth_named(item.fault)) if bound else share
    return found


def _not_missed(prices: FloatArray, found: Sequence[Finding], behind: frozenset[str]) -> FloatArray:
    """Return prices, shape (2,)*k, where nobody is the more afraid of a symptom for the cure of what is behind it."""
    for axis, item in enumerate(found):
        if item.fault in behind:
            gone, there = np.take(prices, [0], axis), np.take(prices, [1], axis)
            prices = np.concatenate([np.maximum(gone, there), there], axis)
    return prices


def with_cause_told(prices: FloatArray, told: Sequence[float]) -> FloatArray:
    """Return prices, shape (2,)*k, with each fault there at its factor; it never is worth more than without it."""
    for axis, factor in enumerate(told):
        if factor != 1:
            gone, there = np.take(prices, [0], axis), np.take(prices, [1], axis)
            prices = np.concatenate([gone, np.minimum(there * factor, np.maximum(gone, there))], axis)
    return prices


def _not_sold(
    prices: FloatArray,
    machine: Machine,
    found: Sequence[Finding],
    held: Sequence[Finding],
    terms: ShopTerms,
) -> FloatArray:
    """Put the scrap price wherever a fault is left in that bars any sale: an open recall."""
    if any(is_barred(item) for item in held):
        return np.minimum(prices, scrap_value(machine, terms))
    barred = prices.copy()
    for axis, item in enumerate(found):
        if is_barred(item):
            there = (slice(None),) * axis + (1,)
            barred[there] = np.minimum(barred[there], scrap_value(machine, terms))
    return barred


def is_barred(item: Finding) -> bool:
    """Say whether a finding bars the machine from being sold or given away in any form."""
    return item.chance >= 1 and fault_catalogue()[item.fault].must_cure == "block"


def scrap_value(machine: Machine, terms: ShopTerms) -> float:
    """Return what the scrap yard pays for a machine, money."""
    return SCRAP_PER_KG * mass_kg(machine) * terms.price_level


def _rows(
    row: FloatArray, found: Sequence[Finding], held: Sequence[Finding], model: ValueModel
) -> FloatArray:
    """Return the rows of every subset; with faults held, also of none, of all but each, and of only each."""
    every = subset_rows(row, found, held, model)
    if not held:
        return every
    but = np.repeat(every[-1][None], len(held), axis=0)
    but[range(len(held)), [model.fault_column(item.fault) for item in held]] = 0.0
    return np.concatenate([every, row[None], but, _with_each(row, held, model)])


def _with_faults_of(row: FloatArray, other: FloatArray | None, model: ValueModel) -> FloatArray:
    """Return another machine's row with the faults of this one, shape (1, p); no row where there is no other."""
    if other is None:
        return np.zeros((0, len(row)))
    columns = [model.fault_column(fault) for fault in fault_catalogue()]
    shown = other[None].copy()
    shown[:, columns] = row[columns]
    return shown


def _with_each(row: FloatArray, items: Sequence[Finding], model: ValueModel) -> FloatArray:
    """Return the rows, shape (n, p), of a machine with each of n findings more, one at a time."""
    rows = np.repeat(row[None], len(items), axis=0)
    columns = [model.fault_column(item.fault) for item in items]
    rows[range(len(items)), columns] = [LEVEL[item.severity] for item in items]
    return rows


def with_doubt(certain: FloatArray, chances: Sequence[float]) -> FloatArray:
    """Weigh doubtful faults: along the axis of a fault of chance q, left in = q there + (1 - q) not there.

    ``certain`` has shape (2,)*k, ``chances`` length k. Exact, as a doubt of one fault says nothing of
    another.
    """
    values = certain
    for axis, chance in enumerate(chances):
        if chance < 1:
            without = np.take(values, 0, axis)
            values = np.stack([without, chance * np.take(values, 1, axis) + (1 - chance) * without], axis)
    return values


def enumerated(
    row: FloatArray, found: tuple[Finding, ...], model: ValueModel
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Split findings into those enumerated and those held.

    With more than twelve, those that must be cured come first, then those that alone cost most; the rest
    count as left in.
    """
    if len(found) <= MOST_FAULTS:
        return found, ()
    values = model.value(np.concatenate([_with_each(row, found, model), row[None]]))
    lost = (values[-1] - values[:-1]) * [item.chance for item in found]
    gates = [must_cure(item) + is_barred(item) for item in found]
    dearest = set(np.lexsort((-lost, -np.array(gates)))[:MOST_FAULTS].tolist())
    return (
        tuple(item for place, item in enumerate(found) if place in dearest),
        tuple(item for place, item in enumerate(found) if place not in dearest),
    )


def must_cure(item: Finding) -> bool:
    """Say whether the machine may not be sold as working with this finding.

    A finding in doubt does not shut the gate but leaves it unchecked: the reading has to be taken again.
    """
    return item.chance >= 1 and fault_catalogue()[item.fault].must_be_cured(item.severity)


def subset_rows(
    row: FloatArray, found: Sequence[Finding], held: Sequence[Finding], model: ValueModel
) -> FloatArray:
    """Return the rows, shape (2**k, p), of a machine with each subset of ``found``, and all of ``held``."""
    rows = np.repeat(row[None], 1 << len(found), axis=0)
    for item in held:
        rows[:, model.fault_column(item.fault)] = LEVEL[item.severity]
    if found:
        columns = [model.fault_column(item.fault) for item in found]
        rows[:, columns] = subsets(len(found)) * [LEVEL[item.severity] for item in found]
    return rows


@cache
def subsets(count: int) -> FloatArray:
    """Return every subset of ``count`` things, shape (2**count, count), 1.0 for a member, C order.

    >>> subsets(2).tolist()
    [[0.0, 0.0], [0.0, 1.0], [1.0, 0.0], [1.0, 1.0]]
    """
    places = np.arange(1 << count)[:, None]
    members = (places >> np.arange(count - 1, -1, -1)[None]) & 1
    result = members.astype(np.float64)
    result.flags.writeable = False
    return result
