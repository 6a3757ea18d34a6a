"""What own sales do in second markets: ``python -m tests.benchmark correction --seed N --markets 20``.

Coverage is that of machines as they are taken in, faults and all, after own sales of all kinds and after sales of
repaired machines only.
"""

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.benchmark.big_import import import_time
from tests.benchmark.figures import Figure, at_least, at_most, beside, keep, within
from tests.benchmark.second_market import NOISE, SecondMarket, draw_machines, shifted
from valuer.advice.ports import Basis, Beyond, FloatArray, Months, ValueModel
from valuer.advice.worth.lattice import subset_rows, subsets
from valuer.domain.faults import fault_catalogue
from valuer.domain.fixes import bench_hours, fixes_for, odds, parts_cost
from valuer.domain.machine import Machine
from valuer.domain.told_twice import as_priced
from valuer.price_model import load_or_train
from valuer.price_model.corrected import CorrectedModel
from valuer.price_model.local_correction import Correction, learn
from valuer.price_model.own_sales import OwnSale, present, rows_with
from valuer.price_model.place_terms import turns

SIZES = (0, 5, 10, 20, 50, 200)
REPAIRED = (20, 50)
HOUR = 14.0
MONTH = 5
TESTED, TAKEN_IN, POOL = 100, 300, 400
MOST_FAULTS = 10


class Remembering:
    """A value model that keeps what it valued, for the same machines are asked about in every market."""

    def __init__(self, model: ValueModel) -> None:
        self.model = model
        self._value: dict[bytes, float] = {}
        self._rows: dict[tuple[str, int], FloatArray] = {}

    @property
    def basis(self) -> Basis:
        return self.model.basis

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        months = [month] * len(machines) if isinstance(month, int) else month
        keys = [
            (machine.model_dump_json(exclude_unset=True), when)
            for machine, when in zip(machines, months, strict=True)
        ]
        new = {key: machine for key, machine in zip(keys, machines, strict=True) if key not in self._rows}
        if new:
            self._rows.update(
                zip(new, self.model.encode(list(new.values()), [when for _, when in new]), strict=True)
            )
        return np.array([self._rows[key] for key in keys])

    def fault_column(self, fault: str) -> int:
        return self.model.fault_column(fault)

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:
        return self.model.beyond(machine)

    def records(self, fault: str, severity: str) -> int:
        return self.model.records(fault, severity)

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        return self.model.interval(rows, value)

    def value(self, rows: FloatArray) -> FloatArray:
        keys = [row.tobytes() for row in np.ascontiguousarray(rows)]
        new = {key: place for place, key in enumerate(keys) if key not in self._value}
        if new:
            found = self.model.value(rows[list(new.values())])
            self._value.update(zip(new, found.tolist(), strict=True))
        return np.array([self._value[key] for key in keys])


@dataclass(frozen=True)
class Bench:
    """Machines whose fixing is decided: rows of all subsets of their faults, odds and costs of curing."""

    machines: tuple[Machine, ...]

    @cached_property
    def cures(self) -> list[list[tuple[float, float]]]:
        """For each machine and fault the odds and the cost of the fix with the best odds for its cost."""
        return [[_best_fix(machine, finding) for finding in present(machine)] for machine in self.machines]

    def rows(self, model: ValueModel) -> tuple[FloatArray, list[int]]:
        """Rows of all subsets of all machines, and where each machine's begin."""
        base = model.encode(self.machines, MONTH)
        blocks = [
            subset_rows(row, present(machine), (), model)
            for row, machine in zip(base, self.machines, strict=True)
        ]
        return np.concatenate(blocks), [0, *np.cumsum([len(block) for block in blocks]).tolist()]

    def truth(self, market: SecondMarket) -> list[FloatArray]:
        """True values of all subsets of each machine."""
        values = []
        for machine in self.machines:
            found = present(machine)
            sets = subsets(len(found)).astype(bool)
            values.append(
                np.exp(
                    [
                        market.log_price(machine, [f for f, s in zip(found, row, strict=True) if s], MONTH)
                        for row in sets
                    ]
                )
            )
        return values


def _best_fix(machine: Machine, finding: object) -> tuple[float, float]:
    options = []
    for fix in fixes_for(finding.fault):  # type: ignore[attr-defined]
        chance = odds(fix, finding, machine.readings)  # type: ignore[arg-type]
        if chance and chance.likely > 0:
            cost = parts_cost([fix]) + HOUR * bench_hours([fix])
            options.append((cost / chance.likely, chance.likely, cost))
    return min(options)[1:] if options else (0.0, 1e6)


def gains(values: FloatArray, cures: list[tuple[float, float]]) -> FloatArray:
    """Expected gain of trying to cure each set of faults, shape (2,)*k, index 1 = tried; 0 for none tried."""
    lattice = values.reshape((2,) * len(cures))
    for axis, (chance, _) in enumerate(cures):
        left = np.take(lattice, 1, axis)
        lattice = np.stack([left, chance * np.take(lattice, 0, axis) + (1 - chance) * left], axis)
    cost = subsets(len(cures)) @ np.array([cost for _, cost in cures]) if cures else np.zeros(1)
    return np.asarray(lattice.ravel() - lattice.ravel()[0] - cost)


def share_of_gain(
    guess: Sequence[FloatArray], truth: Sequence[FloatArray], cures: list[list[tuple[float, float]]]
) -> tuple[float, float]:
    """Gain of the sets chosen by the guess, and of those chosen by the truth, both truly valued; summed."""
    won = best = 0.0
    for guessed, true, each in zip(guess, truth, cures, strict=True):
        real = gains(true, each)
        won += float(real[int(np.argmax(gains(guessed, each)))])
        best += float(real.max())
    return won, best


@dataclass
class Sums:
    """What is measured in each market after some own sales; lists hold one entry a market."""

    error: list[float] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    covered: list[NDArray[np.bool_]] = field(default_factory=list)
    won: list[float] = field(default_factory=list)
    best: list[float] = field(default_factory=list)
    cost_error: list[float] = field(default_factory=list)

    @property
    def share(self) -> float:
        """Share of the perfect-knowledge gain, summed over the markets."""
        return sum(self.won) / sum(self.best)

    @property
    def coverage(self) -> float:
        """Share of sales inside their range, in percent."""
        return float(np.mean(self.covered)) * 100


@dataclass(frozen=True)
class Place:
    """One second market: what the machines to be decided on and those taken in truly fetch there, and own sales."""

    market: SecondMarket
    truth: list[FloatArray]
    sold_for: FloatArray
    own: list[OwnSale]
    repaired: list[OwnSale]


def run(seed: int = 0, markets: int = 20) -> Iterator[Figure]:
    """All figures; the seed draws the markets, the machines and the own sales."""
    model = Remembering(load_or_train())
    bench = Bench(tuple(draw_machines(TESTED, seed=[seed, 1])))
    taken = draw_machines(TAKEN_IN, seed=[seed, 2], most_faults=MOST_FAULTS)
    pool = draw_machines(POOL, seed=[seed, 3])
    sums: dict[object, Sums] = {key: Sums() for key in (*SIZES, *(("repaired", n) for n in REPAIRED))}
    odd: dict[str, list[float]] = {name: [] for name in ("moved", "money", "named", "wider")}
    for number in range(markets):
        place = _place(shifted([seed, number]), bench, taken, pool, np.random.default_rng([seed, 4, number]))
        for n in SIZES:
            _measure(sums[n], model, place, place.own[:n], bench, taken)
        for n in REPAIRED:
            _measure(sums["repaired", n], model, place, place.repaired[:n], bench, taken)
        _measure_odd(odd, model, place, bench, np.random.default_rng([seed, 5, number]))
        sys.stderr.write(f"market {number + 1} of {markets}\n")
    found = _summary(sums, odd, taken)
    keep("correction", {"seed": seed, "markets": markets} | found)
    yield from _figures(found)
    yield at_most("import of 100,000 rows / pandas and a plain bulk insert", import_time(), 1.5)


def _place(
    market: SecondMarket, bench: Bench, taken: list[Machine], pool: list[Machine], rng: np.random.Generator
) -> Place:
    mean = np.array([market.log_price(machine, present(machine), MONTH) for machine in taken])
    chosen = [pool[place] for place in rng.choice(len(pool), max(SIZES), replace=False)]
    return Place(
        market,
        bench.truth(market),
        np.exp(mean + rng.normal(0.0, NOISE, len(mean))),
        [_sale(market, machine, rng) for machine in chosen],
        [_sale(market, _repaired(machine, rng), rng) for machine in chosen[: max(REPAIRED)]],
    )


def _repaired(machine: Machine, rng: np.random.Generator) -> Machine:
    """The machine as this person sells it: what turns it into one for repair is cured, and most of the rest."""
    left = [
        finding
        for finding in machine.faults
        if not turns(fault_catalogue()[finding.fault], finding.severity) and rng.random() < LEFT_AS_IT_IS
    ]
    return machine.model_copy(update={"faults": tuple(left)})


LEFT_AS_IT_IS = 0.3
"""Share of the faults that need no cure and are sold with the machine (invented)."""


def _measure(
    total: Sums, model: ValueModel, place: Place, own: list[OwnSale], bench: Bench, taken: list[Machine]
) -> None:
    corrected = CorrectedModel(model, learn(model, own))
    rows, starts = bench.rows(corrected)
    values = corrected.value(rows)
    guess = [values[a:b] for a, b in pairwise(starts)]
    won, best = share_of_gain(guess, place.truth, bench.cures)
    total.won.append(won)
    total.best.append(best)
    total.cost_error.append(_cost_error(guess, place.truth))
    found = [as_priced(present(machine)) for machine in taken]
    asked = rows_with(corrected, corrected.encode(taken, MONTH), found)
    low, high = corrected.interval(asked)
    total.covered.append((place.sold_for >= low) & (place.sold_for <= high))
    total.width.append(float(np.log(high / low).mean()))
    total.error.append(float(np.median(np.abs(corrected.value(asked) / place.sold_for - 1))))


def _cost_error(guess: list[FloatArray], truth: list[FloatArray]) -> float:
    """Mean absolute error of what curing each fault alone brings, over its true mean."""
    pairs = [(_cured_alone(g), _cured_alone(t)) for g, t in zip(guess, truth, strict=True)]
    guessed, true = (np.concatenate([pair[side] for pair in pairs]) for side in (0, 1))
    return float(np.abs(guessed - true).mean() / np.abs(true).mean())


def _cured_alone(values: FloatArray) -> FloatArray:
    whole = len(values) - 1
    return np.array([values[whole - (1 << bit)] - values[whole] for bit in range(whole.bit_length())])


def _measure_odd(
    odd: dict[str, list[float]], model: ValueModel, place: Place, bench: Bench, rng: np.random.Generator
) -> None:
    """Absurd sales among twenty, and five sales in another money."""
    odd["moved"].append(_absurd(model, bench, place.own[:20], rng))
    own = place.own[:20]
    many = [replace(sale, price=sale.price * (100 if i < 5 else 1)) for i, sale in enumerate(own)]
    widths = []
    for sales in (own[5:], many):
        corrected = CorrectedModel(model, learn(model, sales))
        rows, starts = bench.rows(corrected)
        low, high = corrected.interval(rows[np.array(starts[1:]) - 1])
        widths.append(float(np.log(high / low).mean()))
    odd["wider"].append(widths[1] / widths[0])
    learnt = learn(model, [replace(sale, price=sale.price * 7) for sale in own[:5]])
    corrected = CorrectedModel(model, learnt)
    rows, starts = bench.rows(corrected)
    true = np.array([values[-1] for values in place.truth])
    odd["money"].append(float(np.median(corrected.value(rows[np.array(starts[1:]) - 1]) / (7 * true))))
    odd["named"].append(float(learnt.money != 1.0))


def _sale(market: SecondMarket, machine: Machine, rng: np.random.Generator) -> OwnSale:
    month = int(rng.integers(3, 11))
    price = np.exp(market.log_price(machine, present(machine), month) + rng.normal(0.0, NOISE))
    return OwnSale(machine, month, float(price), days_ago=float(rng.uniform(0, 400)))


def _absurd(model: ValueModel, bench: Bench, own: list[OwnSale], rng: np.random.Generator) -> float:
    """How far a gift, a nought lost, or one or two too many, in place of one of 20 sales, move any machine's value."""
    place = int(rng.integers(20))
    others = learn(model, [*own[:place], *own[place + 1 :]])
    moved = 0.0
    for times in (0.02, 0.1, 10.0, 100.0):
        odd = OwnSale(own[place].machine, own[place].month, own[place].price * times, own[place].days_ago)
        rest = [*own[:place], odd, *own[place + 1 :]]
        moved = max(moved, _move(model, bench, others, learn(model, rest)))
    return moved


def _move(model: ValueModel, bench: Bench, one: Correction, other: Correction) -> float:
    values = []
    for correction in (one, other):
        corrected = CorrectedModel(model, correction)
        rows, starts = bench.rows(corrected)
        values.append(corrected.value(rows[np.array(starts[1:]) - 1]))
    return float(np.max(np.abs(values[1] / values[0] - 1)))


def _summary(sums: dict[object, Sums], odd: dict[str, list[float]], taken: list[Machine]) -> dict[str, Any]:
    floor = NOISE * 0.6745  # median of |normal|
    covered = np.array(sums[200].covered)
    groups = {
        name: float(covered[:, mask].mean()) * 100 for name, mask in _groups(taken).items() if mask.any()
    }
    cost = {n: float(np.mean(sums[n].cost_error)) for n in (0, 20)}
    shares = [np.array(sums[n].won) / np.array(sums[n].best) for n in (0, 20)]
    return {
        "coverage": {str(n): sums[n].coverage for n in SIZES},
        "repaired": {str(n): sums["repaired", n].coverage for n in REPAIRED},
        "groups": groups,
        "width": {str(n): float(np.mean(sums[n].width)) for n in SIZES},
        "share": {str(n): sums[n].share for n in SIZES},
        "error": {str(n): float(np.mean(sums[n].error)) / floor for n in SIZES},
        "worst_market": float((shares[1] - shares[0]).min()),
        "cost": cost[20] / cost[0],
        "money": [min(odd["money"]), float(np.median(odd["money"])), max(odd["money"])],
        "named": float(np.mean(odd["named"])),
        "wider": max(odd["wider"]),
        "moved": max(odd["moved"]),
    }


def _groups(taken: list[Machine]) -> dict[str, NDArray[np.bool_]]:
    """Kinds of machine for which coverage after 200 own sales is told; cheap and dear by the price of a new one."""
    new = np.array([machine.new_price or 0.0 for machine in taken])
    kept = new * np.exp(-np.array([machine.age_years or 7.0 for machine in taken]) / 7.0)
    ends = np.quantile(kept, (0.2, 0.8))
    faults = np.array([len(present(machine)) for machine in taken])
    return {
        "cheapest fifth": kept <= ends[0],
        "dearest fifth": kept >= ends[1],
        "non-starters": np.array([any(f.fault == "no_start" for f in present(machine)) for machine in taken]),
        "8 faults and more": faults >= 8,
        "13 years and more": np.array([(machine.age_years or 0.0) >= 13 for machine in taken]),
    }


def _figures(found: dict[str, Any]) -> Iterator[Figure]:
    cover = "80 % range after {} own sales: coverage, %"
    yield within(cover.format(0), found["coverage"]["0"], 70, 88, 1)
    for n in SIZES[1:]:
        yield within(cover.format(n), found["coverage"][str(n)], 76, 84, 1)
    for n, value in found["repaired"].items():
        yield at_least(f"the same after {n} sales of repaired machines only", value, 74, 1)
    for name, value in found["groups"].items():
        yield within(f"the same after 200 own sales: {name}", value, 72, 88, 1)
    width = found["width"]
    yield beside(
        "mean width of the range, log, after 0 / 20 / 200",
        " / ".join(f"{width[n]:.3f}" for n in ("0", "20", "200")),
    )
    for n, goal in zip(SIZES, (0.84, 0.87, 0.89, 0.91, 0.93, 0.95), strict=True):
        yield at_least(
            f"share of the perfect-knowledge gain after {n} own sales", found["share"][str(n)], goal
        )
    yield at_least(
        "worst market: share after 20 own sales less share after none", found["worst_market"], -0.03
    )
    yield at_most("fault cost error after 20 own sales / with none", found["cost"], 1.0)
    for n in SIZES:
        yield beside(f"median error / noise floor after {n} own sales", f"{found['error'][str(n)]:.3f}")
    low, middle, high = found["money"]
    note = f" (worst markets {low:.2f}, {high:.2f})"
    yield within("five sales x7 without a price level: value / truth", middle, 0.75, 1.33, note=note)
    yield at_least("the same: share of markets in which it is named", found["named"], 1.0)
    yield at_most("five of twenty sales x100: range / that without them, worst market", found["wider"], 1.3)
    yield at_most("one absurd sale among 20: largest move of a value", found["moved"], 0.03)
