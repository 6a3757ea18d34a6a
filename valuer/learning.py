"""From records to what they teach: own sales for the price model, own tries for odds and hours."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from threading import Lock

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from valuer.advice.ports import ValueModel
from valuer.advice.sale.history import PastWeek, Stood
from valuer.advice.work.done import Done
from valuer.advice.work.workshop import Workshop, usual_workshop, workshop
from valuer.domain.findings import findings
from valuer.domain.fixes import Fix
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms, at_price_level, season_month
from valuer.domain.symptoms import usual_odds
from valuer.domain.words import counted
from valuer.price_model.corrected import CorrectedModel, of_invented_market, selling_of
from valuer.price_model.experience import Try, hours_factors, own_fixes
from valuer.price_model.local_correction import NO_CORRECTION, Correction, Learnt, Term
from valuer.price_model.own_listings import NO_LISTINGS, Heard, OwnListing, OwnWeek, Speed
from valuer.price_model.own_sales import Z80, Kind, OwnSale, evidence
from valuer.price_model.selling import SellingModel
from valuer.records.entries import Book, Comparable, MachineEntry
from valuer.records.on_offer import WEEK, Offered, times_on_offer
from valuer.records.teaching import Teacher, Teachers, entered_again

JUST_MOVED = 0.02
"""Change of the odds of a sale below which they are said to stay."""

WHOLE_FROM = 10
"""Factors from which on no part of one is told."""

MOST_LEVELS = 16
"""Price levels for which the corrected model is kept; callers may name any."""

MODEST_BELOW = 10
"""Own sales below which a correction is called a first guess (trials on simulated markets)."""


def own_sales(book: Book, today: date, price_level: float = 1.0) -> tuple[OwnSale, ...]:
    """What the records hold of prices, at price level 1."""
    return tuple(_sale(record, today, price_level) for record in Teachers().of(book).values())


def _sale(record: Teacher, today: date, price_level: float) -> OwnSale:
    kind: Kind
    if isinstance(record, Comparable):
        day, price, kind = record.seen_on, record.price, record.kind
    else:
        assert record.sale  # noqa: S101 - no other record teaches
        day, price, kind = record.sale.sold_on, record.sale.price, "own"
    machine = at_price_level(record.machine, price_level)
    return OwnSale(machine, day.month, price / price_level, float((today - day).days), kind)


def own_listings(entry: MachineEntry, today: date, price_level: float = 1.0) -> tuple[OwnListing, ...]:
    """Every time an own machine was listed, at price level 1; unsold ones too."""
    machine = at_price_level(entry.machine, price_level)
    return tuple(
        replace(_listing(machine, time, today, price_level), runs=entry.sale is None and time.runs(today))
        for time in times_on_offer(entry)
    )


def _listing(machine: Machine, time: Offered, today: date, price_level: float) -> OwnListing:
    weeks = tuple(
        OwnWeek(
            number=place + 1,
            month=week.week_of.month,
            ask=week.ask / price_level,
            refused=max(week.offers, default=0.0) / price_level,
        )
        for place, week in enumerate(time.weeks)
    )
    return OwnListing(machine, weeks, time.sold, float(max((today - time.last_day).days, 0)))


def unsold_weeks(entry: MachineEntry, today: date) -> tuple[Offered, ...]:
    """The time listed that still runs, its weeks since the last cure; none where there is none."""
    cured = max((done.done_on for done in entry.fixes if done.cured), default=None)
    weeks = tuple(week for week in entry.weeks if cured is None or week.week_of + WEEK > cured)
    times = times_on_offer(entry.model_copy(update={"weeks": weeks}), today)
    return times[-1:] if times and not times[-1].sold and times[-1].runs(today) else ()


def past_weeks(time: Offered, terms: ShopTerms, today: date) -> tuple[PastWeek, ...]:
    """The weeks of a time listed as the advice on selling takes them; this week counts as far as it has gone."""
    return tuple(
        PastWeek(
            month=season_month(terms.model_copy(update={"month": week.week_of.month})),
            ask=week.ask,
            refused=max(week.offers, default=0.0),
            enquiries=week.enquiries,
            share=min(1.0, max((today - week.week_of).days, 0) / 7),
        )
        for week in time.weeks
        if week.week_of <= today
    )


def tries(book: Book) -> tuple[Try, ...]:
    """Every try at a fix on record."""
    return tuple(
        Try(done.fix, done.fault, done.cured, done.hours) for entry in book.machines for done in entry.fixes
    )


def done_before(entry: MachineEntry) -> Done:
    """What was cured on this very machine, and the fixes that failed on a fault since it was last cured."""
    cured: set[str] = set()
    failed: dict[str, set[str]] = {}
    for done in entry.fixes:
        if done.cured:
            cured.add(done.fault)
            failed.pop(done.fault, None)
        else:
            failed.setdefault(done.fault, set()).add(done.fix)
    there = {finding.fault for finding in findings(entry.machine)}
    return Done(frozenset(cured - there), {fault: frozenset(names) for fault, names in failed.items()})


class Memory:
    """What was learnt from the records as they stood before, handed on when they have changed.

    One thread at a time brings it up to date; the others wait for what it finds.
    """

    def __init__(self) -> None:
        self._teachers = Teachers()
        self._learnt: dict[tuple[int, float], Learnt] = {}
        self._heard: dict[tuple[int, float], tuple[ValueModel, Heard]] = {}
        self._one = Lock()

    def correction(self, own: "OwnRecords", model: ValueModel, price_level: float) -> Correction:
        """What own sales change of the model."""

        def sales(records: Iterable[Teacher]) -> list[OwnSale]:
            return [_sale(record, own.today, price_level) for record in records]

        with self._one:
            key, records, day = (id(model), price_level), self._teachers.of(own.book), own.today.toordinal()
            before = self._learnt.pop(key, None)  # it holds the model, so no other goes by that id
            if not records:
                return NO_CORRECTION
            if before is None:
                now = Learnt(model, evidence(model, sales(records.values())), records, day)
            else:
                now = before.after(records, day, sales)
            if len(self._learnt) >= MOST_LEVELS:
                self._learnt.clear()
            self._learnt[key] = now
            return now.correction

    def speed(self, own: "OwnRecords", model: ValueModel, price_level: float, values: ValueModel) -> Speed:
        """How much sooner own machines sell than the model's listings, at these values."""
        chances = selling_of(model)
        if chances is None:
            return NO_LISTINGS
        with self._one:
            self._teachers.of(own.book)
            if len(self._heard) >= MOST_LEVELS:
                self._heard.clear()
            _, heard = self._heard.setdefault((id(model), price_level), (model, Heard()))

            def listings(entry: MachineEntry) -> tuple[OwnListing, ...]:
                return own_listings(entry, own.today, price_level)

            return heard.speed(values, chances, self._teachers.listed, own.today.toordinal(), listings)


@dataclass(frozen=True)
class OwnRecords:
    """The user's records as the adviser uses them: a book and the day it is read on.

    ``memory``: what was learnt before, handed on when the records are read again after a change.
    """

    book: Book
    today: date
    memory: Memory = field(default_factory=Memory, compare=False, repr=False)
    _learnt: dict[tuple[int, float], Correction] = field(default_factory=dict, compare=False, repr=False)
    _speeds: dict[tuple[int, float], Speed] = field(default_factory=dict, compare=False, repr=False)
    _corrected: dict[float, tuple[ValueModel, ValueModel]] = field(
        default_factory=dict, compare=False, repr=False
    )

    def correction(self, model: ValueModel, price_level: float = 1.0) -> Correction:
        """What own sales change of the model; worked out once."""
        key = (id(model), price_level)
        if key not in self._learnt:
            self._learnt[key] = self.memory.correction(self, model, price_level)
        return self._learnt[key]

    def speed(self, model: ValueModel, price_level: float = 1.0) -> Speed:
        """How much sooner own machines sell than the model's listings, at the corrected values; worked out once."""
        key = (id(model), price_level)
        if key not in self._speeds:
            values = self._values(model, price_level)
            self._speeds[key] = self.memory.speed(self, model, price_level, values)
        return self._speeds[key]

    def corrected(self, model: ValueModel, price_level: float = 1.0) -> ValueModel:
        """The model bent towards own sales and own listings, its ranges wide enough for places unlike its market's.

        Where nothing was learnt from, a model that was trained on sales of the place itself is left as it is. The last
        one is kept, for what it has worked out for itself serves the next question too.
        """
        last, found = self._corrected.get(price_level, (None, model))
        if last is not model:
            found = self._bent(model, price_level)
            if len(self._corrected) >= MOST_LEVELS:
                self._corrected.clear()
            self._corrected[price_level] = (model, found)
        return found

    def _bent(self, model: ValueModel, price_level: float) -> ValueModel:
        correction, selling = self.correction(model, price_level), selling_of(model)
        known = correction.at_rest and not of_invented_market(model)
        if known and self.speed(model, price_level).at_rest:
            return model

        def sells() -> SellingModel | None:
            return selling and selling.shifted(self.speed(model, price_level).moved)

        return CorrectedModel(model, correction, sells)

    def _values(self, model: ValueModel, price_level: float) -> ValueModel:
        correction = self.correction(model, price_level)
        return model if correction.at_rest else CorrectedModel(model, correction)

    @cached_property
    def tries(self) -> tuple[Try, ...]:
        """Every try at a fix on record."""
        return tries(self.book)

    @cached_property
    def shop(self) -> Workshop:
        """The fixes with the odds and hours of own tries; those of the catalogue where there are none."""
        return workshop(self.fixes()) if self.tries else usual_workshop()

    def fixes(self) -> dict[str, Fix]:
        """The catalogue's fixes with the odds and hours that own tries leave of it."""
        return own_fixes(self.tries)

    @cached_property
    def _bench(self) -> dict[str, MachineEntry]:
        """What is not sold, by id."""
        return {entry.id: entry for entry in self.book.machines if entry.sale is None}

    def _on_bench(self, machines: Sequence[Machine]) -> list[MachineEntry]:
        """The records of those of the machines that stand on the bench, each once."""
        asked = dict.fromkeys(machine.id for machine in machines)
        return [self._bench[name] for name in asked if name in self._bench]

    def on_offer(self, machines: Sequence[Machine], terms: ShopTerms, model: ValueModel) -> dict[str, Stood]:
        """The times listed of those of the machines that are listed and not sold, by id."""
        return {
            entry.id: Stood(
                past_weeks(time, terms, self.today),
                self.speed(model, terms.price_level).by_running.get(entry.id, 0.0),
            )
            for entry in self._on_bench(machines)
            for time in unsold_weeks(entry, self.today)
        }

    def done(self, machines: Sequence[Machine]) -> dict[str, Done]:
        """What was done to those of the machines that stand on the bench of the records."""
        return {entry.id: done_before(entry) for entry in self._on_bench(machines) if entry.fixes}


NO_RECORDS = OwnRecords(Book(), date(1970, 1, 1))
"""Nothing on record: nothing is corrected, no fix has been tried."""


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LearntTerm(_Document):
    """One part of the correction: how far it moved, how sure that is, and why."""

    name: str
    moved_percent: float = Field(description="change of a value, or of a fault's loss, in percent")
    unsure_percent: float = Field(description="one standard deviation of it, in percentage points")
    sales: float = Field(description="weight of the sales that bear on it")
    why: str


class OddSale(_Document):
    """A sale that is hardly believable beside the others."""

    id: str
    times: float = Field(description="price over what the other sales lead one to expect")
    weight: float = Field(description="share of its say that it keeps, 0 to 1")


class LearntFix(_Document):
    """The odds of a fix on a fault, from the catalogue and after own tries."""

    fix: str
    fault: str
    cured: int
    failed: int
    odds_before: float
    odds_after: float
    hours_factor: float | None = Field(
        description="own hours over the catalogue's; null where none are known"
    )


class LearntSpeed(_Document):
    """How much sooner or later own machines sell than the model's listings."""

    listings: int = Field(description="times an own machine was listed")
    sold: int
    weeks: int = Field(description="weeks that they stood, together")
    expected_sold: float = Field(
        description="how many of them the model alone would have sold in those weeks"
    )
    odds_factor: float = Field(
        description="what the odds of a sale in a week are multiplied by; above 1 is sooner"
    )
    odds_low: float = Field(description="low end of the 80 % interval of that factor")
    odds_high: float = Field(description="high end of the 80 % interval of that factor")
    statement: str


class CorrectionReport(_Document):
    """What the own records changed, and whether that helped."""

    own_sales: int
    comparables: int
    statement: str
    price_level: float | None = Field(
        description="the price level that own sales ask for, where they are in another money; null: the one given"
    )
    error_before_percent: float | None = Field(description="median error on own sales by the model alone")
    error_after_percent: float | None = Field(
        description="the same by a correction that has not seen the sale it is judged by"
    )
    interval_factor: float = Field(
        description="width of the ranges of machines like the own ones, beside that of the first day"
    )
    terms: tuple[LearntTerm, ...]
    odd_sales: tuple[OddSale, ...]
    entered_again: tuple[str, ...] = Field(
        description="sales that repeat one before them, same machine, day and price; they are left out"
    )
    selling: LearntSpeed
    fixes: tuple[LearntFix, ...]


def correction_report(own: OwnRecords, model: ValueModel, price_level: float = 1.0) -> CorrectionReport:
    """What the records changed of the model and of the fixes."""
    found = own.correction(model, price_level)
    before, after = _median_error(found.before), _median_error(found.after)
    proposed = None if found.money == 1.0 else float(f"{found.money * price_level:.2g}")
    return CorrectionReport(
        own_sales=found.own_sales,
        comparables=found.comparables,
        statement=_statement(found, before, after, proposed),
        price_level=proposed,
        error_before_percent=before,
        error_after_percent=after,
        interval_factor=round(found.width, 3),
        terms=tuple(_term(term) for term in sorted(found.terms, key=lambda term: -abs(term.moved))),
        odd_sales=tuple(
            OddSale(id=odd.id, times=round(odd.times, 2), weight=round(odd.weight, 3)) for odd in found.odd
        ),
        entered_again=entered_again(own.book),
        selling=_speed(own.speed(model, price_level)),
        fixes=_fixes(own.tries),
    )


def _median_error(residuals: tuple[float, ...]) -> float | None:
    """Median absolute percentage error of value against price, 100 |value / price - 1|."""
    return round(float(np.median(np.abs(np.exp(-np.array(residuals)) - 1))) * 100, 1) if residuals else None


def _statement(found: Correction, before: float | None, after: float | None, proposed: float | None) -> str:
    if found.at_rest:
        return (
            "No own sales yet, so nothing is corrected. Sales of unrepaired machines teach most: keep them."
        )
    if proposed is not None:
        times = about(found.money)
        return (
            f"Your sales stand at about {times} times what the model expects, more than places differ; shall "
            f"{proposed:g} be the price level? Until you say so, values follow your sales."
        )
    level = percent(found.level)
    where = "above" if found.level > 0 else "below"
    own, seen = counted(found.own_sales, "own sale"), counted(found.comparables, "price")
    learnt = f"{own} and {seen} seen around"
    judged = (
        ""
        if before is None
        else f" On own sales it had not seen the median error went from {before} to {after} %."
    )
    modest = " With so few it is a first guess." if found.own_sales < MODEST_BELOW else ""
    return f"From {learnt}: values now stand {abs(level):.0f} % {where} the model's.{judged}{modest}"


def about(times: float) -> str:
    """A factor as one would say it: whole from 10 up, with two digits at most below.

    >>> about(6.98), about(0.145), about(98.7)
    ('7', '0.14', '99')
    """
    return f"{times:.0f}" if times >= WHOLE_FROM else f"{times:.2g}"


def percent(moved: float) -> float:
    """A shift of a log value in percent."""
    return float(np.expm1(moved) * 100)


def _term(term: Term) -> LearntTerm:
    moved = percent(term.moved) if term.of == "value" else 100 * term.moved
    kept = max(0.0, 1.0 - (term.sd / term.prior_sd) ** 2)
    what = "age's effect" if term.of == "ageing" else term.of
    return LearntTerm(
        name=term.name,
        moved_percent=round(moved, 1),
        unsure_percent=round(100 * term.sd, 1),
        sales=round(term.sales, 1),
        why=f"{what} {moved:+.0f} %: sales of weight {term.sales:.1f} settle {kept:.0%} of it",
    )


def _speed(found: Speed) -> LearntSpeed:
    factor, (low, high) = np.exp(found.moved), np.exp(found.moved + np.array([-Z80, Z80]) * found.sd)
    return LearntSpeed(
        listings=found.listings,
        sold=found.sold,
        weeks=found.weeks,
        expected_sold=round(found.expected, 1),
        odds_factor=round(float(factor), 3),
        odds_low=round(float(low), 3),
        odds_high=round(float(high), 3),
        statement=_speed_said(found, float(factor)),
    )


def _speed_said(found: Speed, factor: float) -> str:
    if found.at_rest:
        return "No own weeks listed yet, so how fast machines sell is as in the model."
    kept = max(0.0, 1.0 - (found.sd / found.prior_sd) ** 2)
    moved = abs(factor - 1.0) >= JUST_MOVED
    so = f"are now {factor:.2f} times the model's" if moved else "stay as in the model"
    return (
        f"Own machines were listed {counted(found.listings, 'time')}, {counted(found.weeks, 'week')} in all, and "
        f"{found.sold} sold; the model alone expects {found.expected:.1f}. The odds of a sale in a week {so}: own "
        f"listings settle {kept:.0%} of it, the rest is the model's."
    )


def _fixes(done: tuple[Try, ...]) -> tuple[LearntFix, ...]:
    own = own_fixes(done)
    _, factors = hours_factors(done)
    return tuple(
        LearntFix(
            fix=fix,
            fault=fault,
            cured=sum(each.cured for each in done if (each.fix, each.fault) == (fix, fault)),
            failed=sum(not each.cured for each in done if (each.fix, each.fault) == (fix, fault)),
            odds_before=round(usual_odds(fix, fault), 3),
            odds_after=round(
                own[fix].cures[fault].odds.likely if fault in own[fix].cures else usual_odds(fix, fault), 3
            ),
            hours_factor=round(factors[fix], 2) if fix in factors else None,
        )
        for fix, fault in sorted({(each.fix, each.fault) for each in done})
    )
