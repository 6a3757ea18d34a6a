"""What every answer carries: value with its range, safety verdict, cautions, warnings."""

from collections.abc import Collection, Iterable, Sequence
from functools import lru_cache
from math import exp, hypot, log

import numpy as np

from valuer.advice.ports import ValueModel
from valuer.advice.worth.documents import Safety, Value
from valuer.advice.worth.lattice import Lattice, is_barred
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.gates import gates_named
from valuer.domain.machine import Machine
from valuer.domain.months import MONTHS
from valuer.domain.safety import cautions_for, safety_verdict
from valuer.domain.shop import ShopTerms, at_price_level, season_month
from valuer.domain.symptoms import symptom_for
from valuer.domain.told_twice import gone_with
from valuer.domain.words import counted

COVERAGE = 0.80
HALF_80 = 1.2816
"""Standard normal quantile at .9: half the width of an 80 % interval in standard deviations."""

FEW_RECORDS = 25
OUTSIDE = "Outside the range of the data"
"""How each line begins that has to stand beside the numbers it is about, not behind a fold."""

MOST_NAMED = 3
"""Pairs of attributes that one line names."""

OLDEST, MOST_SEEN_FAULTS = 16.0, 8
"""Beyond these the training sales are thin (from memory: 5 % of machines in ads are over 15 years)."""

IN_SEASON, APRIL = range(3, 10), 4
ATTRIBUTES = (
    "drive",
    "deck_width_in",
    "deck_material",
    "engine_class",
    "start",
    "tier",
    "age_years",
    "looks",
)


def ranges(lattices: Sequence[Lattice], model: ValueModel, terms: ShopTerms) -> tuple[Value, ...]:
    """Return the value of each machine as it stands with its 80 % range, all from one call of the model.

    A doubtful finding widens the range: the spread between there and not there is added to the model's own.
    """
    if not lattices:
        return ()
    rows = np.stack([lattice.row for lattice in lattices])
    low, high = model.interval(
        rows, np.array([lattice.row_value for lattice in lattices]) / terms.price_level
    )
    return tuple(
        _value(lattice, float(down) * terms.price_level, float(up) * terms.price_level, terms)
        for lattice, down, up in zip(lattices, low, high, strict=True)
    )


def _value(lattice: Lattice, low: float, high: float, terms: ShopTerms) -> Value:
    middle = lattice.row_value
    if any(is_barred(item) for item in (*lattice.findings, *lattice.held)):
        low = high = middle
    doubt = HALF_80 * log_spread(lattice)
    below = hypot(log(middle / min(low, middle)), doubt)
    above = hypot(log(max(high, middle) / middle), doubt)
    return Value(
        amount=lattice.now,
        low=lattice.now * exp(-below),
        high=lattice.now * exp(above),
        coverage=COVERAGE,
        currency=terms.currency,
    )


def log_spread(lattice: Lattice) -> float:
    """Return the standard deviation of log value that comes from doubtful findings."""
    if all(item.chance >= 1 for item in lattice.findings):
        return 0.0
    mean, square = np.log(lattice.certain), np.log(lattice.certain) ** 2
    for item in reversed(lattice.findings):
        mean = (1 - item.chance) * mean[..., 0] + item.chance * mean[..., 1]
        square = (1 - item.chance) * square[..., 0] + item.chance * square[..., 1]
    return float(np.sqrt(max(float(square) - float(mean) ** 2, 0.0)))


def noise(value: Value) -> float:
    """Return the standard deviation of log sale price that a value's range stands for."""
    return float(np.log(value.high / value.low)) / (2 * HALF_80) if value.low > 0 else 0.0


def safety_of(machine: Machine, terms: ShopTerms, cured: Collection[str] = ()) -> Safety:
    """Return whether the machine may be sold as a working mower, and what is missing.

    ``cured`` are faults of its file that have been cured since: they and what was only a symptom of them no longer
    stand in the way, but the checks they belong to have to be passed, and a reading that showed one has to be taken
    again.
    """
    gone: Collection[str] = ()
    if cured:
        gone = gone_with(findings(machine, terms.blade_stop_limit_s), cured)
        left = tuple(item for item in machine.faults if item.fault not in gone)
        machine = machine.model_copy(update={"faults": left})
    verdict = safety_verdict(machine, terms.blade_stop_limit_s, gone)
    return Safety(
        may_be_sold=verdict.may_be_sold,
        must_cure=verdict.must_cure,
        unchecked=verdict.unchecked,
        statement=_statement(verdict.must_cure, verdict.unchecked),
        sources=(*verdict.sources, verdict.note),
    )


def _statement(must_cure: Sequence[str], unchecked: Sequence[str]) -> str:
    if "recall_open" in must_cure:
        return "Not for sale in any form while a recall is open; claim the maker's remedy."
    parts = []
    if must_cure:
        parts.append("must be cured first: " + named(must_cure))
    if unchecked:
        parts.append("not checked yet, and unmeasured is not passed: " + gates_named(unchecked))
    if not parts:
        return "May be sold as a working mower; tell the buyer every fault that is left."
    return "Not for sale as a working mower; " + "; ".join(parts) + "."


def named(faults: Iterable[str]) -> str:
    """Return the faults' plain names in one line."""
    return ", ".join(fault_catalogue()[fault].name.lower() for fault in faults)


def cautions(actions: Iterable[str]) -> tuple[str, ...]:
    """Return the cautions to read before these actions: fixes, readings or action words."""
    return _cautions(frozenset(actions))


@lru_cache(maxsize=1024)
def _cautions(actions: frozenset[str]) -> tuple[str, ...]:
    return tuple(f"{caution.title}: {caution.words}" for caution in cautions_for(actions))


def leaving_actions(safety: Safety) -> tuple[str, ...]:
    """Return the action words whose cautions belong to selling the machine as it stands."""
    if "recall_open" in safety.must_cure:
        return ("sale_gate", "recall")
    return ("viewing",) if safety.may_be_sold else ("sale_gate", "repair_sale")


def warnings_for(lattice: Lattice, model: ValueModel, terms: ShopTerms) -> tuple[str, ...]:
    """Return what weakens the numbers for one machine, worst first."""
    return (
        *basis_warnings(model),
        *_beyond(lattice.machine, model, terms),
        *_thin_data(lattice, model),
        *_doubts(lattice),
        *_causes_open(lattice),
        *_unknowns(lattice.machine),
        *season_warnings(terms),
    )


def basis_warnings(model: ValueModel) -> tuple[str, ...]:
    """Return the warning that every answer resting on the invented market carries."""
    basis = model.basis
    if not basis.synthetic:
        return ()
    own = (
        f"corrected by {counted(basis.own_sales, 'own sale')}"
        if basis.own_sales
        else "no own sales hold it up yet"
    )
    rests = f"Rests on a synthetic (invented) market: trust the shape, not the level; {own}."
    return (rests, basis.range_holds) if basis.range_holds else (rests,)


def _beyond(machine: Machine, model: ValueModel, terms: ShopTerms) -> list[str]:
    """Say which attributes, alone or together, no training sale has: what stands there is a guess."""
    found = model.beyond(at_price_level(machine, terms.price_level))
    lines = [
        f"{OUTSIDE}: {item.name} {_own(item.name, item.value, terms)}; the sales have "
        f"{_own(item.name, item.known[0], terms)} to {_own(item.name, item.known[1], terms)}, and the value is "
        "that at the nearer end."
        for item in found
        if item.known
    ]
    alone = [f"{item.name} {item.value}" for item in found if not item.known and not item.beside]
    pairs = [
        f"{item.name} {item.value} with {' '.join(map(str, item.beside))}" for item in found if item.beside
    ]
    if alone:
        lines.append(f"{OUTSIDE}: no sale has {', '.join(alone)}; it counts as not known.")
    if pairs:
        more = (
            f", nor {len(pairs) - MOST_NAMED} other pairs of its attributes"
            if len(pairs) > MOST_NAMED
            else ""
        )
        lines.append(f"{OUTSIDE}: no sale has {', or '.join(pairs[:MOST_NAMED])}{more}.")
    return lines


def _own(name: str, value: object, terms: ShopTerms) -> str:
    """A number as its owner gave it: money in own money, the rest in the unit of its name."""
    number = float(str(value)) * (terms.price_level if name == "new_price" else 1.0)
    return f"{number:,.0f}" if name == "new_price" else f"{number:.4g}"


def _thin_data(lattice: Lattice, model: ValueModel) -> list[str]:
    found = (*lattice.findings, *lattice.held)
    lines = []
    for item in found:
        records = model.records(item.fault, item.severity)
        if records < FEW_RECORDS:
            lines.append(
                f"Only {records} training sales show {item.severity} {item.fault}; its cost is a guess."
            )
    age = lattice.machine.age_years
    if age is not None and age > OLDEST:
        lines.append(f"{OUTSIDE}: {age:g} years old, few sales are over {OLDEST:g}.")
    if len(found) > MOST_SEEN_FAULTS:
        lines.append(f"{OUTSIDE}: {len(found)} faults on one machine.")
    if lattice.held:
        lines.append(
            f"More than {len(lattice.findings)} faults: the dearest are weighed exactly, "
            f"the others count as left in ({', '.join(item.fault for item in lattice.held)})."
        )
    return lines


def _doubts(lattice: Lattice) -> list[str]:
    return [
        f"{item.fault} is in doubt: the reading gives it a chance of {item.chance:.0%}; measure again."
        for item in lattice.findings
        if item.chance < 1
    ]


def _causes_open(lattice: Lattice) -> list[str]:
    names = {item.fault for item in lattice.findings}
    return [
        f"The cause of {item.fault} is not known: looking for it first may pay (ask for the next checks)."
        for item in lattice.findings
        if symptom_for(item.fault) and names.isdisjoint(fault_catalogue()[item.fault].causes)
    ]


def _unknowns(machine: Machine) -> list[str]:
    unknown = [name for name in ATTRIBUTES if getattr(machine, name) is None]
    return [f"Not known, so the range is wider: {', '.join(unknown)}."] if unknown else []


OUT_OF_SEASON = "is out of season"


def season_warnings(terms: ShopTerms) -> tuple[str, ...]:
    """Return the warning that belongs to selling out of season."""
    if season_month(terms) in IN_SEASON:
        return ()
    low = f"{MONTHS[terms.month - 1]} {OUT_OF_SEASON}: fewer buyers and lower prices than in spring"
    turned = season_month(terms) - terms.month  # by half a year in the south
    spring = MONTHS[(APRIL - turned - 1) % len(MONTHS)]
    return (f"{low}; if it can wait, ask again for {spring}.",)
